"""Who was told of a line of the tell list: one row a telling, by role and never by name."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue
from adapter.derive import age_hours
from adapter.write.tables.column import Column, Row, Type, hours, moment
from adapter.write.tables.tabled import TabledExam
from adapter.write.tables.terms import URGENCIES, terms


def columns(catalogue: Catalogue) -> tuple[Column, ...]:
    """The columns."""
    text, roles = Type.TEXT, terms(catalogue.roles)
    return (
        Column("exam_id", text, "The exam"),
        Column("newborn_id", text, "The newborn: the id of the FHIR Patient"),
        Column("telling", Type.INTEGER, "Its place among the exam's tellings, in the order of time, from 1"),
        Column("line_id", text, "The line that was told, as in tells"),
        Column("line", Type.INTEGER, "Its place in the list; empty where the list has it not"),
        Column("urgency", text, "How soon that line is to be told", allowed=URGENCIES),
        *moment("told", "When it was told"),
        Column("told_age_hours", Type.DECIMAL, "Hours of life when it was told", "h"),
        Column("to_role", text, "The role of who was told", allowed=roles),
        Column("by_role", text, "The role of who told", allowed=roles),
        Column("read_back", Type.BOOLEAN, "Whether it was read back; empty where that is not recorded"),
        Column("words", text, "What was said"),
    )


def rows(tabled: TabledExam) -> Iterator[Row]:
    """The tellings of the exam; those of a retracted one are of no line."""
    exam = tabled.exam
    line_of = {id(one): n for n, tellings in enumerate(tabled.told.lines) for one in tellings}
    for number, telling in enumerate(exam.told, start=1):
        line = line_of.get(id(telling))
        yield (
            exam.details.id,
            tabled.newborn_id,
            number,
            telling.line,
            None if line is None else line + 1,
            None if line is None else tabled.notifications[line].urgency.value,
            *tabled.moment(telling.at),
            hours(age_hours(exam, telling.at)),
            telling.to.role,
            telling.by.role if telling.by is not None else None,
            telling.read_back,
            telling.words,
        )
