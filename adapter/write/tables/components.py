"""The parts of a finding: one row for each number of a measurement that has several, and each sign of a score."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue
from adapter.derive import FindingView
from adapter.derive.form import Part
from adapter.exam import Status
from adapter.fhir.parts import interpretation_code
from adapter.write.tables.column import Column, Row, Type
from adapter.write.tables.tabled import TabledExam
from adapter.write.tables.terms import MEANINGS, URGENCIES, part_codes, words


def columns(catalogue: Catalogue) -> tuple[Column, ...]:
    """The columns; ``finding_id`` leads to the finding."""
    text = Type.TEXT
    return (
        Column("finding_id", text, "The finding it is part of"),
        Column("exam_id", text, "The exam"),
        Column("exam_status", text, "How far the exam's record stands", allowed=words(Status)),
        Column("newborn_id", text, "The newborn: the id of the FHIR Patient"),
        Column("item", text, "What was looked at", allowed=tuple((i.id, i.label) for i in catalogue.items.values())),
        Column("component", text, "Which number of it, or which sign of the score"),
        Column("component_label", text, "The same in words"),
        Column("number", Type.DECIMAL, "The number in the item's own unit; the points of a sign"),
        Column("unit", text, "The item's own unit (UCUM)"),
        Column("captured_number", text, "The number as captured, digit for digit"),
        Column("captured_unit", text, "The unit as captured"),
        Column("answer", text, "The answer to a sign"),
        Column("answer_label", text, "The same in words"),
        Column("loinc", text, "LOINC codes of the component", several=True),
        Column("snomed", text, "SNOMED CT codes of the component", several=True),
        Column("answer_loinc", text, "LOINC codes of the answer", several=True),
        Column("answer_snomed", text, "SNOMED CT codes of the answer", several=True),
        Column("meaning", text, "What it says of the infant", allowed=MEANINGS),
        Column("interpretation", text, "HL7 v3 ObservationInterpretation as sent"),
        Column("urgency", text, "How soon the provider must hear of it", allowed=URGENCIES),
    )


def rows(tabled: TabledExam) -> Iterator[Row]:
    """One row for each component and sign that the exam holds."""
    details = tabled.exam.details
    for one in tabled.findings:
        head = (tabled.names[one.index].value, details.id, details.status.value, tabled.newborn_id, one.item.id)
        yield from ((*head, *_part(part, one, tabled.catalogue)) for part in one.parts)


def _part(part: Part, one: FindingView, catalogue: Catalogue) -> Row:
    item, captured = one.item.id, part.captured
    return (
        part.id,
        part.label,
        part.number,
        one.unit,
        f"{captured.number:f}" if captured else None,
        captured.spelling if captured else None,
        part.answer,
        part.answer_label,
        *part_codes(catalogue, item, part.id),
        *(part_codes(catalogue, item, part.id, part.answer) if part.answer else (None, None)),
        *_judged(part),
    )


def _judged(part: Part) -> Row:
    judged = part.judged
    if judged is None:
        return None, None, None
    code = interpretation_code(judged.meaning, judged.flag, judged.urgency)
    return judged.meaning.value, code, judged.urgency.value
