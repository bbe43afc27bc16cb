"""Findings as rows of measurement, observation and note (OMOP CDM 5.4), still without their keys.

A row goes to the table of its concept's domain, as the CDM asks; without a concept, vital signs and laboratory values
are measurements, exam and survey findings observations (as the example maps of the HL7 FHIR to OMOP guide have it). A
measurement of several numbers becomes a row each. What was not examined, what was entered in error and what rules say
is left out, and counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from adapter.catalogue import Item
from adapter.derive import FindingView
from adapter.derive.form import SCORE_UNIT, Captured, Part
from adapter.exam import Status, ValueKind
from adapter.write.omop.cdm import cdm
from adapter.write.omop.concepts import NO_CONCEPT, Concept, Concepts
from adapter.write.tables.tabled import TabledExam
from adapter.write.tables.terms import answer_codes, part_codes, question_codes

_MEASURED = ("vital-signs", "laboratory")
_DOMAINS = ("Measurement", "Observation")
"""Of questions: what is asked for in any other domain is no row of these tables."""
UTF_8 = 32678
"""The concept that the CDM names for this encoding (note.encoding_concept_id)."""


@dataclass(frozen=True, slots=True)
class Unmapped:
    """A code without a verified concept: what it is, our code, its label, its published codes."""

    kind: str
    code: str
    label: str
    published: str = ""


@dataclass(frozen=True, slots=True)
class CdmRow:
    """One row for ``table``; keys, person and visit are put in later."""

    table: str
    cells: dict[str, Any]
    unmapped: tuple[Unmapped, ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A finding, or a part of one, that becomes no row."""

    reason: str


def events(tabled: TabledExam, concepts: Concepts, notes: bool = False) -> Iterator[CdmRow | LeftOut]:
    """The rows of one exam; ``notes`` puts free text into note, else it is left out."""
    retracted = tabled.exam.details.status is Status.ENTERED_IN_ERROR
    noted: set[tuple[str, str, datetime]] = set()
    for one in tabled.findings:
        if retracted:
            yield LeftOut("entered in error")
        elif one.finding.not_examined is not None:
            yield LeftOut("not examined")
        elif one.by_rule:
            yield LeftOut("what a rule says")
        else:
            yield from _Rows(one, tabled, concepts, notes).rows(noted)


class _Rows:
    """The rows of one finding."""

    def __init__(self, one: FindingView, tabled: TabledExam, concepts: Concepts, notes: bool) -> None:
        self._one, self._tabled, self._concepts, self._notes = one, tabled, concepts, notes
        self._made = on_the_wall(one.made_at, tabled)

    def rows(self, noted: set[tuple[str, str, datetime]]) -> Iterator[CdmRow | LeftOut]:
        """``noted``: the notes of the exam so far; several answers of one item carry the same one."""
        one, finding, item = self._one, self._one.finding, self._one.item
        match one.kind:
            case ValueKind.QUANTITIES:
                yield from map(self._part, one.parts)
            case ValueKind.QUANTITY:
                sign = one.comparator.value if one.comparator else ""
                operator = self._concepts.id("operator", sign) if sign else None
                yield self._number(self._own(), one.number, item.unit, one.captured, sign, operator)
            case ValueKind.SCORE:
                if one.number is not None:
                    total = Captured(one.number, SCORE_UNIT, SCORE_UNIT)
                    yield self._number(self._own(), one.number, SCORE_UNIT, (total,))
                yield from (LeftOut("sign of a score") for _ in one.parts)
            case ValueKind.MOMENT if one.moment_hours is not None:
                yield self._number(self._own(), one.moment_hours.quantize(_HOUR), "h", ())
            case ValueKind.ANSWER if finding.answer is not None:
                yield self._answer(item, finding.answer)
        if finding.text is not None:
            yield self._text(finding.text)
        if finding.note is not None and (item.id, finding.note, self._made) not in noted:
            noted.add((item.id, finding.note, self._made))
            yield self._text(finding.note)

    def _part(self, part: Part) -> CdmRow:
        assert part.captured is not None, "a number of several was not captured"
        item = self._one.item
        codes = part_codes(self._tabled.catalogue, item.id, part.id)
        question = self._question(f"{item.id}.{part.id}", part.label, *codes)
        return self._number(question, part.number, item.unit, (part.captured,))

    def _own(self) -> tuple[Concept | None, str, tuple[Unmapped, ...]]:
        finding, item, catalogue = self._one.finding, self._one.item, self._tabled.catalogue
        # The row is in the item's own unit, so the question is that of the item's own unit too.
        loinc, snomed = question_codes(
            catalogue, item.id, finding.side, finding.site, finding.method, None, finding.answer
        )
        return self._question(item.id, item.label, loinc, snomed)

    def _question(
        self, code: str, label: str, loinc: str | None, snomed: str | None
    ) -> tuple[Concept | None, str, tuple[Unmapped, ...]]:
        found = (self._concepts.first(*one) for one in (("loinc", _split(loinc)), ("snomed", _split(snomed))))
        concept = next((one for one in found if one is not None and one.domain in _DOMAINS), None)
        missing = () if concept else (Unmapped("question", code, label, _published(loinc, snomed)),)
        return concept, code, missing

    def _event(self, question: tuple[Concept | None, str, tuple[Unmapped, ...]], cells: dict[str, Any]) -> CdmRow:
        concept, code, missing = question
        finding, item = self._one.finding, self._one.item
        if concept is not None:
            table = concept.domain.lower()
        else:
            measured = self._tabled.catalogue.category(item).value in _MEASURED
            table = "measurement" if measured else "observation"
        where = [part for part in (finding.side and finding.side.value, finding.site) if part]
        more = cells.pop("unmapped", ())
        cells[f"{table}_concept_id"] = concept.id if concept else NO_CONCEPT
        cells[f"{table}_date"] = self._made.date()
        cells[f"{table}_datetime"] = self._made
        cells[f"{table}_type_concept_id"] = self._concepts.id("type", "ehr")
        cells[f"{table}_source_value"] = _longest_that_fits(["/".join([code, *where]), code], table)
        cells[f"{table}_source_concept_id"] = NO_CONCEPT
        if table == "observation":
            cells["qualifier_source_value"] = "/".join(where) or None
            for name in ("operator_concept_id", "unit_source_concept_id"):
                cells.pop(name, None)
        else:
            cells.pop("value_as_string", None)
        return CdmRow(table, cells, (*missing, *more))

    def _number(
        self,
        question: tuple[Concept | None, str, tuple[Unmapped, ...]],
        amount: Decimal | None,
        unit: str | None,
        captured: Sequence[Captured],
        sign: str = "",
        operator: int | None = None,
    ) -> CdmRow:
        """``amount`` in ``unit``, the item's own. Beside it the number with its ``sign`` and its unit as captured, or
        two of a compound amount; of what was not captured as a number, the item's unit (CDM 5.4: value_source_value
        and unit_source_value are verbatim of the source)."""
        digits = "+".join(f"{one.number:f}" for one in captured)
        cells: dict[str, Any] = {"value_as_number": amount, "value_source_value": f"{sign}{digits}" or None}
        if operator is not None:
            cells["operator_concept_id"] = operator
        if unit is not None:
            units = [one.unit for one in captured] or [unit]
            found = {one: self._concepts.find("ucum", one) for one in (unit, *units)}
            own, source = found[unit], found[units[0]] if len(units) == 1 else None
            cells["unit_concept_id"] = own.id if own else NO_CONCEPT
            cells["unit_source_concept_id"] = source.id if source else NO_CONCEPT
            cells["unit_source_value"] = "+".join(one.spelling for one in captured) or unit
            cells["unmapped"] = tuple(Unmapped("unit", one, one, f"ucum {one}") for one in found if not found[one])
        return self._event(question, cells)

    def _answer(self, item: Item, answer_id: str) -> CdmRow:
        answer = item.answer(answer_id)
        loinc, snomed = answer_codes(self._tabled.catalogue, item.id, answer_id) if answer else (None, None)
        concept = self._concepts.first("loinc", _split(loinc)) or self._concepts.first("snomed", _split(snomed))
        label = answer.label if answer else answer_id
        code = f"{item.id}.{answer_id}"
        missing = () if concept else (Unmapped("answer", code, label, _published(loinc, snomed)),)
        longest = cdm()["observation"].longest["value_as_string"]
        cells = {
            "value_as_concept_id": concept.id if concept else NO_CONCEPT,
            "value_as_string": label if len(label) <= longest else answer_id,
            "value_source_value": answer_id,
            "unmapped": missing,
        }
        return self._event(self._own(), cells)

    def _text(self, text: str) -> CdmRow | LeftOut:
        if not self._notes:
            return LeftOut("free text")
        cells = {
            "note_date": self._made.date(),
            "note_datetime": self._made,
            "note_type_concept_id": self._concepts.id("type", "ehr"),
            "note_class_concept_id": NO_CONCEPT,
            "note_title": self._one.item.label,
            "note_text": text,
            "encoding_concept_id": UTF_8,
            "language_concept_id": NO_CONCEPT,
            "note_source_value": self._one.item.id,
        }
        return CdmRow("note", cells)


_HOUR = Decimal("0.0001")


def _split(codes: str | None) -> list[str]:
    return (codes or "").split(";")


def _published(loinc: str | None, snomed: str | None) -> str:
    return "; ".join(f"{system} {codes}" for system, codes in (("loinc", loinc), ("snomed", snomed)) if codes)


def _longest_that_fits(texts: list[str], table: str) -> str:
    """The first that the field takes; an item's own id always fits (tests hold it)."""
    most = cdm()[table].longest[f"{table}_source_value"]
    return next((text for text in texts if len(text) <= most), texts[-1])


def on_the_wall(moment: datetime, tabled: TabledExam) -> datetime:
    """The CDM has no offsets: the local time, by one offset for all of a newborn's times, that of its birth.

    So no interval between two of them is wrong, where the clocks were changed in between or an exam was elsewhere.
    """
    return moment.astimezone(tabled.exam.newborn.birth_time.tzinfo).replace(tzinfo=None)
