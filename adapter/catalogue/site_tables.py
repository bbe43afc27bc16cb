"""Reading the CSV tables of a site's folder, with the row of what cannot be used."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from decimal import InvalidOperation
from typing import TypeVar

from pydantic import ValidationError

from adapter.errors import AdapterError

T = TypeVar("T")
Row = dict[str, str]


class RowFault(AdapterError, ValueError):
    """A row that cannot be used; ``row`` is its line."""

    def __init__(self, row: int, what: str) -> None:
        super().__init__(f"row {row} cannot be used: {what}")
        self.row = row


def table_rows(text: str, reader: Callable[[Sequence[str]], Callable[[Row], T]]) -> tuple[T, ...]:
    """The rows of a CSV text as ``reader`` makes them, which is given the columns first (in small letters).

    Raises ValueError with what is wrong with the columns, or :class:`RowFault`.
    """
    raw = csv.DictReader(text.lstrip("\ufeff").splitlines())
    columns = [column.strip().lower() for column in raw.fieldnames or ()]
    raw.fieldnames = columns
    if len(set(columns)) != len(columns):
        raise ValueError(f"a column stands twice among {', '.join(columns)}")
    made, rows = reader(columns), []
    for number, row in enumerate(raw, start=2):
        if None in row:
            raise RowFault(number, "it has more cells than there are columns")
        try:
            rows.append(made({name: (cell or "").strip() for name, cell in row.items()}))
        except (ValidationError, InvalidOperation, ValueError, TypeError) as error:
            raise RowFault(number, _said(error)) from None
    return tuple(rows)


def _said(error: Exception) -> str:
    if isinstance(error, ValidationError):
        first = error.errors()[0]
        return f"{'.'.join(map(str, first['loc']))}: {first['msg'].removeprefix('Value error, ')}"
    return "a number is not a plain decimal" if isinstance(error, InvalidOperation) else str(error)
