"""The columns of the capture CSV: which field of the record each one fills, and how.

One row is one finding, or one telling (who was told of a line of the tell list); the rows of an exam share their
``exam_id``, which stands in every row. The exam's other columns may be blank after its first row; where they are
repeated they must agree. An exam without findings is one row with ``item`` blank. The header names the
columns, in any order; comma, semicolon or tab divide them; UTF-8.

- identifiers: ``system|value``, several with ``;`` between them
- ``examiner``: ``name/role``, ``name/role/system|value`` or ``/role/system|value``, several with ``;`` between them
- ``newborn_facts``, ``mother_facts``: ``name=value``, several with ``;`` between them; those of an examiner after the
  identifier: ``/role/system|value|name=value``
- ``birth_order``: ``1 of 2`` or ``1``; ``gestation``: ``39+4`` or ``39``
- ``value``: an answer id, or several with ``;``; a number, with ``<`` or ``>`` before it where it was beyond the
  device; ``7+4`` with the unit ``lb+oz``; ``65/41`` in the order of the item's components, or
  ``systolic=65;diastolic=41``; a score's total ``8``, or ``total=8;colour=pink``; a moment in ISO 8601 with offset
- ``told_to``, ``told_by``: one person, as an examiner; ``told_read_back``: ``yes`` or ``no``
- a backslash takes ``|``, ``;``, ``/`` or a backslash literally
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Any

from adapter.exam import Exam, Finding, Mother, Newborn, Telling
from adapter.read import csv_cells as cells


@dataclass(frozen=True, slots=True)
class ExamColumn:
    """A column whose value is the same for all rows of an exam."""

    name: str
    path: tuple[str, ...]
    write: Callable[[Exam], Any]
    read: Callable[[str], Any] = str
    required: bool = False


@dataclass(frozen=True, slots=True)
class FindingColumn:
    """A column that belongs to the row's finding."""

    name: str
    write: Callable[[Finding], Any]
    read: Callable[[str], Any] = str


@dataclass(frozen=True, slots=True)
class TellingColumn:
    """A column that belongs to the row's telling; ``field`` is that of the record."""

    name: str
    field: str
    write: Callable[[Telling], Any]
    read: Callable[[str], Any] = str


def _listed(write: Callable[[Any], str], entries: Any) -> str:
    return ";".join(write(entry) for entry in entries)


def _order(exam: Exam) -> str | None:
    order = exam.newborn.birth_order
    return cells.write_birth_order(order) if order else None


def _gestation(exam: Exam) -> str | None:
    gestation = exam.newborn.gestation
    return cells.write_gestation(gestation) if gestation else None


def _name_parts(
    prefix: str, at: tuple[str, ...], person: Callable[[Exam], Newborn | Mother | None]
) -> Iterator[ExamColumn]:
    for part in ("family", "given", "prefix"):
        yield ExamColumn(f"{prefix}_{part}", (*at, part), partial(_part_of, person, part))


def _part_of(person: Callable[[Exam], Newborn | Mother | None], part: str, exam: Exam) -> Any:
    return getattr(person(exam), part, None)


EXAM_COLUMNS: tuple[ExamColumn, ...] = (
    ExamColumn("exam_id", ("exam", "id"), lambda e: e.details.id, required=True),
    ExamColumn("exam_kind", ("exam", "kind"), lambda e: e.details.kind, required=True),
    ExamColumn("exam_started", ("exam", "started"), lambda e: e.details.started, required=True),
    ExamColumn("exam_ended", ("exam", "ended"), lambda e: e.details.ended),
    ExamColumn("exam_status", ("exam", "status"), lambda e: e.details.status),
    ExamColumn("exam_recorded", ("exam", "recorded"), lambda e: e.details.recorded),
    ExamColumn("exam_amends", ("exam", "amends"), lambda e: e.details.amends),
    ExamColumn("exam_first", ("exam", "first"), lambda e: e.details.first),
    ExamColumn("exam_reassigned_from", ("exam", "reassigned_from"), lambda e: e.details.reassigned_from),
    ExamColumn("exam_reason", ("exam", "reason"), lambda e: e.details.reason),
    ExamColumn("exam_place", ("exam", "place"), lambda e: e.details.place),
    ExamColumn(
        "exam_encounter",
        ("exam", "encounter"),
        lambda e: cells.write_identifier(e.details.encounter) if e.details.encounter else None,
        cells.read_identifier,
    ),
    ExamColumn(
        "examiner",
        ("exam", "examiners"),
        lambda e: _listed(cells.write_examiner, e.details.examiners),
        cells.read_examiners,
        required=True,
    ),
    ExamColumn(
        "newborn_identifier",
        ("newborn", "identifiers"),
        lambda e: _listed(cells.write_identifier, e.newborn.identifiers),
        cells.read_identifiers,
        required=True,
    ),
    ExamColumn("newborn_name", ("newborn", "name"), lambda e: e.newborn.name),
    *_name_parts("newborn", ("newborn",), lambda e: e.newborn),
    ExamColumn("newborn_facts", ("newborn", "facts"), lambda e: cells.write_facts(e.newborn.facts), cells.read_facts),
    ExamColumn("newborn_sex", ("newborn", "sex"), lambda e: e.newborn.sex, required=True),
    ExamColumn("birth_time", ("newborn", "birth_time"), lambda e: e.newborn.birth_time, required=True),
    ExamColumn("birth_order", ("newborn", "birth_order"), _order, cells.read_birth_order),
    ExamColumn("gestation", ("newborn", "gestation"), _gestation, cells.read_gestation),
    ExamColumn(
        "gestation_method",
        ("newborn", "gestation", "method"),
        lambda e: e.newborn.gestation.method if e.newborn.gestation else None,
    ),
    ExamColumn(
        "mother_identifier",
        ("newborn", "mother", "identifiers"),
        lambda e: _listed(cells.write_identifier, e.newborn.mother.identifiers) if e.newborn.mother else None,
        cells.read_identifiers,
    ),
    ExamColumn(
        "mother_name", ("newborn", "mother", "name"), lambda e: e.newborn.mother.name if e.newborn.mother else None
    ),
    *_name_parts("mother", ("newborn", "mother"), lambda e: e.newborn.mother),
    ExamColumn(
        "mother_facts",
        ("newborn", "mother", "facts"),
        lambda e: cells.write_facts(e.newborn.mother.facts) if e.newborn.mother else None,
        cells.read_facts,
    ),
)

FINDING_COLUMNS = (
    FindingColumn("item", lambda f: f.item),
    FindingColumn("value", lambda f: cells.write_value(f)[0]),
    FindingColumn("unit", lambda f: cells.write_value(f)[1]),
    FindingColumn("not_examined", lambda f: f.not_examined),
    FindingColumn("text", lambda f: f.text),
    FindingColumn("side", lambda f: f.side),
    FindingColumn("method", lambda f: f.method),
    FindingColumn("site", lambda f: f.site),
    FindingColumn("state", lambda f: f.state),
    FindingColumn("counted_seconds", lambda f: f.counted_seconds),
    FindingColumn("observed_at", lambda f: f.observed_at),
    FindingColumn("urgency", lambda f: f.urgency),
    FindingColumn("note", lambda f: f.note),
)

TELLING_COLUMNS = (
    TellingColumn("told_line", "line", lambda t: t.line),
    TellingColumn("told_at", "at", lambda t: t.at),
    TellingColumn("told_to", "to", lambda t: cells.write_examiner(t.to), cells.read_examiner),
    TellingColumn("told_by", "by", lambda t: cells.write_examiner(t.by) if t.by else None, cells.read_examiner),
    TellingColumn("told_read_back", "read_back", lambda t: cells.write_yes_or_no(t.read_back), cells.read_yes_or_no),
    TellingColumn("told_words", "words", lambda t: t.words),
)

COLUMNS = (
    *(column.name for column in EXAM_COLUMNS),
    *(column.name for column in FINDING_COLUMNS),
    *(column.name for column in TELLING_COLUMNS),
)
REQUIRED = (*(column.name for column in EXAM_COLUMNS if column.required), "item")
