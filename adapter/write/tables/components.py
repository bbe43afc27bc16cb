"""The parts of a finding: one row for each number of a measurement that has several, and each sign of a score."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue, Item
from adapter.derive import Evidence, component_judgement, component_numbers
from adapter.exam import Quantities, Score, Status
from adapter.fhir.parts import interpretation_code
from adapter.write.tables.column import Column, Row, Type
from adapter.write.tables.known import Known
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


def rows(known: Known) -> Iterator[Row]:
    """One row for each component and sign that the exam holds."""
    for one in known.pool:
        name = known.names[one.index].value
        details = known.exam.details
        head = (name, details.id, details.status.value, known.newborn_id, one.item.id)
        if isinstance(one.finding.value, Quantities):
            yield from ((*head, *part) for part in _numbers(one, one.finding.value, known))
        elif isinstance(one.finding.value, Score):
            yield from ((*head, *part) for part in _signs(one.finding.value, one.item, known))


def _numbers(one: Evidence, value: Quantities, known: Known) -> Iterator[Row]:
    item, catalogue = one.item, known.catalogue
    for component_id, number in component_numbers(value, item, catalogue).items():
        component = item.component(component_id)
        judged = component_judgement(one.finding, component_id, number, item, known.exam, catalogue)
        meaning: Row = (None, None, None)
        if judged is not None:
            code = interpretation_code(judged.meaning, judged.flag, judged.urgency)
            meaning = judged.meaning.value, code, judged.urgency.value
        yield (
            component_id,
            component.label if component else None,
            number,
            item.unit,
            f"{value.components[component_id]:f}",
            value.unit,
            None,
            None,
            *part_codes(catalogue, item.id, component_id),
            None,
            None,
            *meaning,
        )


def _signs(score: Score, item: Item, known: Known) -> Iterator[Row]:
    for sign_id, answer_id in score.signs.items():
        sign = item.sign(sign_id)
        answer = next((a for a in sign.answers if a.id == answer_id), None) if sign else None
        if sign is None or answer is None:
            continue
        yield (
            sign_id,
            sign.label,
            answer.points,
            "{score}",
            None,
            None,
            answer_id,
            answer.label,
            *part_codes(known.catalogue, item.id, sign_id),
            *part_codes(known.catalogue, item.id, sign_id, answer_id),
            None,
            None,
            None,
        )
