"""The rows of one exam before they have numbers, so that exams can be worked on apart and numbered in their order."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import astuple, dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Any

from adapter.exam import Status
from adapter.write.omop.cdm import cdm
from adapter.write.omop.concepts import NO_CONCEPT, Concepts
from adapter.write.omop.events import CdmRow, LeftOut, Unmapped, events, on_the_wall
from adapter.write.tables.column import Row, Type
from adapter.write.tables.spreadsheet import typed
from adapter.write.tables.tabled import TabledExam


@dataclass(frozen=True, slots=True)
class ExamRows:
    """What one exam becomes, while it has no numbers: rows by table, their keys 0.

    ``exam``, ``newborn``, ``encounter``: the FHIR ids that get numbers. ``offset``: of the newborn's birth from UTC,
    in minutes; all times are local times at it, since the CDM has none. ``visit`` is a row of visit_occurrence,
    ``person`` one of person; None for an exam that was entered in error, of which only ``left_out`` counts.
    """

    exam: str
    newborn: str
    encounter: str
    offset: int = 0
    person: Row | None = None
    visit: Row | None = None
    rows: tuple[tuple[str, Row], ...] = ()
    unmapped: Counter[Unmapped] = field(default_factory=Counter)
    left_out: Counter[str] = field(default_factory=Counter)

    def to_json(self) -> str:
        """As one line."""
        content = {
            "names": [self.exam, self.newborn, self.encounter],
            "offset": self.offset,
            "person": self.person,
            "visit": self.visit,
            "rows": self.rows,
            "unmapped": [[astuple(code), count] for code, count in self.unmapped.items()],
            "left_out": self.left_out,
        }
        return json.dumps(content, default=_plain, ensure_ascii=False, separators=(",", ":"))

    @classmethod
    def from_json(cls, line: str | bytes) -> ExamRows:
        """What :meth:`to_json` gave."""
        found = json.loads(line)
        person, visit = found["person"], found["visit"]
        exam, newborn, encounter = found["names"]
        return cls(
            exam,
            newborn,
            encounter,
            found["offset"],
            None if person is None else _typed("person", person),
            None if visit is None else _typed("visit_occurrence", visit),
            tuple((table, _typed(table, row)) for table, row in found["rows"]),
            Counter({Unmapped(*code): count for code, count in found["unmapped"]}),
            Counter(found["left_out"]),
        )


def _plain(value: Any) -> str:
    return value.isoformat() if isinstance(value, date) else f"{value:f}"


def _typed(table: str, row: list[Any]) -> Row:
    types = cdm()[table].columns
    return tuple(
        typed(value, column.type) if isinstance(value, str) and column.type is not Type.TEXT else value
        for value, column in zip(row, types, strict=True)
    )


def exam_rows(tabled: TabledExam, concepts: Concepts, notes: bool = False) -> ExamRows:
    """The rows of one exam; ``notes``: with free text.

    Raises ``ValueError`` where a text is too long for its field.
    """
    details = tabled.exam.details
    encounter = tabled.identity.encounter(details.encounter).uuid
    found = list(events(tabled, concepts, notes))
    left_out = Counter(one.reason for one in found if isinstance(one, LeftOut))
    offset = tabled.exam.newborn.birth_time.utcoffset() or timedelta()
    minutes = int(offset.total_seconds() // 60)
    made = ExamRows(tabled.identity.report().uuid, tabled.newborn_id, encounter, minutes, left_out=left_out)
    if details.status is Status.ENTERED_IN_ERROR:
        return made
    kept = [one for one in found if isinstance(one, CdmRow)]
    return replace(
        made,
        person=_person(tabled, concepts),
        visit=_visit(tabled, concepts, [one.cells[f"{one.table}_datetime"] for one in kept]),
        rows=tuple((one.table, _without_keys(one)) for one in kept),
        unmapped=Counter(code for one in kept for code in one.unmapped),
    )


def _without_keys(one: CdmRow) -> Row:
    keys = {f"{one.table}_id": 0, "person_id": 0, "visit_occurrence_id": 0}
    return cdm()[one.table].row({**one.cells, **keys})


def _person(tabled: TabledExam, concepts: Concepts) -> Row:
    newborn = tabled.exam.newborn
    born = on_the_wall(newborn.birth_time, tabled)
    cells = {
        "person_id": 0,
        "gender_concept_id": concepts.id("gender", newborn.sex.value),
        "year_of_birth": born.year,
        "month_of_birth": born.month,
        "day_of_birth": born.day,
        "birth_datetime": born,
        "race_concept_id": NO_CONCEPT,
        "ethnicity_concept_id": NO_CONCEPT,
        "person_source_value": tabled.newborn_id,
        "gender_source_value": newborn.sex.value,
        "gender_source_concept_id": NO_CONCEPT,
    }
    return cdm()["person"].row(cells)


def _visit(tabled: TabledExam, concepts: Concepts, made: list[datetime]) -> Row:
    """The visit of the exam: the ward's own encounter, which several exams may share, else the exam itself.

    It ends no earlier than the last of what was found (``made``).
    """
    details = tabled.exam.details
    began, ended = (on_the_wall(one, tabled) for one in (details.started, details.ended or details.started))
    ended = max([ended, *made])
    kind = tabled.catalogue.kinds[details.kind].encounter_class
    cells = {
        "visit_occurrence_id": 0,
        "person_id": 0,
        "visit_concept_id": concepts.id("visit", kind),
        "visit_type_concept_id": concepts.id("type", "ehr"),
        "visit_source_value": kind,
        "visit_source_concept_id": NO_CONCEPT,
        "visit_start_date": began.date(),
        "visit_start_datetime": began,
        "visit_end_date": ended.date(),
        "visit_end_datetime": ended,
    }
    return cdm()["visit_occurrence"].row(cells)
