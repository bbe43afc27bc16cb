"""What a table is: typed columns that a catalogue gives, and the rows that one exam gives."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from functools import lru_cache
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.write.tables.tabled import TabledExam

PLACES = 9
"""Decimal places that every decimal column can hold: as many as a captured number can have."""

Row = tuple[Any, ...]


class Type(StrEnum):
    """The type of a column's values; None stands for what is absent in a column of any type."""

    TEXT = "text"
    INTEGER = "integer"
    DECIMAL = "decimal"
    BOOLEAN = "boolean"
    INSTANT = "instant"
    """A point in time in UTC; the offset it was captured with stands in a column of its own, in minutes."""
    DATE = "date"
    LOCAL = "local"
    """Date and time as the clock on the wall showed them, without offset, as the OMOP CDM has them."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    ``unit`` is UCUM. ``codes``: the published codes of the question, ``loinc 8867-4``. ``allowed``: what may stand in
    it and what that means; empty where anything may. ``several``: the cell may hold several of them (:func:`joined`).
    ``status``: the column that says why a cell is empty (examined, not examined, not recorded). ``item``: the item of
    the catalogue that it holds.
    """

    name: str
    type: Type
    label: str
    unit: str = ""
    codes: tuple[str, ...] = ()
    allowed: tuple[tuple[str, str], ...] = ()
    several: bool = False
    status: str = ""
    item: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table.

    ``unique``: the column whose values stand once in the table, where exams give the same row again; the first one
    stands. A table travels to another process by its name (a key of :data:`adapter.write.tables.TABLES`).
    """

    name: str
    label: str
    make_columns: Callable[[Catalogue], tuple[Column, ...]]
    make_rows: Callable[[TabledExam], Iterator[Row]]
    unique: str = ""

    def columns(self, catalogue: Catalogue) -> tuple[Column, ...]:
        """The columns in their order; the same catalogue gives the same columns."""
        return _columns(self, catalogue)

    def rows(self, exam: Exam | TabledExam, catalogue: Catalogue) -> Iterator[Row]:
        """The rows of one exam, each a tuple in the order of the columns.

        Text is ``str``, an instant is aware and in UTC, a decimal has its digits. Where several tables are made of
        one exam, a :class:`TabledExam` in place of the exam derives it once for all.
        """
        return self.make_rows(exam if isinstance(exam, TabledExam) else TabledExam(exam, catalogue))


@lru_cache(maxsize=64)
def _columns(table: Table, catalogue: Catalogue) -> tuple[Column, ...]:
    found = table.make_columns(catalogue)
    names = [column.name for column in found]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(
            f"table {table.name} has two columns named {', '.join(twice)}; rename an item of the catalogue"
        )
    return found


def moment(name: str, label: str) -> tuple[Column, Column]:
    """The two columns of a moment."""
    offset = Column(f"{name}_offset_minutes", Type.INTEGER, f"{label}: offset from UTC as captured", "min")
    return Column(name, Type.INSTANT, label), offset


_SPECIAL = re.compile(r"[;\\]")
_ONE_OF_SEVERAL = re.compile(r"(?:[^;\\]|\\.)+")


def joined(values: Iterable[str]) -> str:
    """Several values as one cell: ``;`` between, and a backslash before one that is part of a value, as before a
    backslash (like the lists of RFC 5545, 3.3.11)."""
    return ";".join(_SPECIAL.sub(r"\\\g<0>", value) for value in values)


def split(cell: str) -> list[str]:
    """The inverse of :func:`joined`, of values that are not empty."""
    return [re.sub(r"\\(.)", r"\1", value) for value in _ONE_OF_SEVERAL.findall(cell)]


_HOURS = Decimal("0.0001")


def hours(value: Decimal) -> Decimal:
    """Hours of life to four places: a third of a second."""
    return value.quantize(_HOURS, ROUND_HALF_UP)
