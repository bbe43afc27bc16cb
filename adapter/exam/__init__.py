"""The domain: an exam of a newborn and its findings, with no FHIR and no input or output."""

from adapter.exam.model import (
    At,
    Exam,
    ExamDetails,
    Finding,
    Side,
    Status,
    Telling,
    Urgency,
    ValueKind,
    record_schema,
)
from adapter.exam.persons import (
    BirthOrder,
    Examiner,
    Gestation,
    Identifier,
    Mother,
    Named,
    Newborn,
    Sex,
    with_parts,
)
from adapter.exam.quantity import Amount, Comparator, Quantities, Quantity, Score

__all__ = [
    "Amount",
    "At",
    "BirthOrder",
    "Comparator",
    "Exam",
    "ExamDetails",
    "Examiner",
    "Finding",
    "Gestation",
    "Identifier",
    "Mother",
    "Named",
    "Newborn",
    "Quantities",
    "Quantity",
    "Score",
    "Sex",
    "Side",
    "Status",
    "Telling",
    "Urgency",
    "ValueKind",
    "record_schema",
    "with_parts",
]
