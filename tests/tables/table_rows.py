"""Rows of the tables as dicts, and what a finding or a column is expected to hold."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.write.tables import TABLES


def rows(name: str, exams: Iterable[Exam], catalogue: Catalogue) -> list[dict[str, Any]]:
    """The rows of a table for some exams."""
    table = TABLES[name]
    columns = [column.name for column in table.columns(catalogue)]
    return [dict(zip(columns, row, strict=True)) for exam in exams for row in table.rows(exam, catalogue)]


def row(name: str, exam: Exam, catalogue: Catalogue) -> dict[str, Any]:
    """The only row of an exam."""
    (found,) = rows(name, [exam], catalogue)
    return found
