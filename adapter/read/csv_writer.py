"""Exams as the long capture CSV: one finding or telling a row, the exam's own columns on its first row."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from enum import Enum
from typing import Any

from adapter.exam import Exam
from adapter.read.csv_columns import COLUMNS, EXAM_COLUMNS, FINDING_COLUMNS, TELLING_COLUMNS


def to_csv(exams: Iterable[Exam]) -> str:
    """The CSV (RFC 4180: comma, CRLF, quotes where needed) of any number of exams; an exam without findings is
    one row without an item."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    for exam in exams:
        first = [_cell(column.write(exam)) for column in EXAM_COLUMNS]
        later = [exam.details.id, *[""] * (len(EXAM_COLUMNS) - 1)]
        no_finding, no_telling = [""] * len(FINDING_COLUMNS), [""] * len(TELLING_COLUMNS)
        rows = [[_cell(column.write(one)) for column in FINDING_COLUMNS] + no_telling for one in exam.findings]
        rows += [no_finding + [_cell(column.write(one)) for column in TELLING_COLUMNS] for one in exam.told]
        for n, row in enumerate(rows or [no_finding + no_telling]):
            writer.writerow((later if n else first) + row)
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Decimal):
        return f"{value:f}"
    return str(value.value) if isinstance(value, Enum) else str(value)
