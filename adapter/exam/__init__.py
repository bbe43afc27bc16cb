"""The domain: an exam of a newborn and its findings, with no FHIR and no input or output."""

from adapter.exam.model import (
    At,
    BirthOrder,
    Exam,
    ExamDetails,
    Examiner,
    Finding,
    Gestation,
    Identifier,
    Mother,
    Newborn,
    Sex,
    Side,
    Status,
    Urgency,
    record_schema,
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
    "Newborn",
    "Quantities",
    "Quantity",
    "Score",
    "Sex",
    "Side",
    "Status",
    "Urgency",
    "record_schema",
]
