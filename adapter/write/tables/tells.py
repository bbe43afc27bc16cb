"""The tell list: one row a line, most urgent first; lines of what is still to be done as well."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue
from adapter.derive import line_ids
from adapter.write.deidentify.dates import without_times
from adapter.write.tables.column import Column, Row, Type
from adapter.write.tables.tabled import TabledExam
from adapter.write.tables.terms import SIDES, URGENCIES


def columns(catalogue: Catalogue) -> tuple[Column, ...]:
    """The columns."""
    text = Type.TEXT
    return (
        Column("exam_id", text, "The exam"),
        Column("newborn_id", text, "The newborn: the id of the FHIR Patient"),
        Column("line", Type.INTEGER, "Its place in the list, from 1"),
        Column("urgency", text, "How soon to tell; none: still to be done", allowed=URGENCIES),
        Column("to_do", Type.BOOLEAN, "Whether it is still to be done"),
        Column("item", text, "The item", allowed=tuple((i.id, i.label) for i in catalogue.items.values())),
        Column("side", text, "The infant's own side", allowed=SIDES),
        Column("finding_id", text, "The finding; empty where nothing was recorded"),
        Column("words", text, "The line in words"),
        Column("reason", text, "Why it is told"),
        Column("rule", text, "The rule, answer, range or gap that put it on the list"),
        Column("source", text, "Where that comes from"),
        Column("line_id", text, "What the line is known by in tellings"),
        Column("told", Type.INTEGER, "How many tellings of it are recorded"),
        Column("rests_on", text, "The finding_id of all findings the line stands for", several=True),
    )


def rows(tabled: TabledExam) -> Iterator[Row]:
    """One row for each line; a retracted exam has none."""
    ids = line_ids(tabled.notifications)
    for line, tell in enumerate(tabled.notifications, start=1):
        names = [tabled.names[index].value for index in tell.rests_on]
        yield (
            tabled.exam.details.id,
            tabled.newborn_id,
            line,
            tell.urgency.value,
            tell.to_do,
            tell.item.id,
            tell.side.value if tell.side else None,
            names[0] if names else None,
            tell.words if tabled.dated else without_times(tell.words),
            tell.reason if tabled.dated else without_times(tell.reason),
            tell.rule,
            tell.source,
            ids[line - 1],
            len(tabled.told.lines[line - 1]),
            ";".join(names) or None,
        )
