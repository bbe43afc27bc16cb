"""Reading the CSV tables of a site's folder, with the row of what cannot be used."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator, Sequence
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
        self.row, self.what = row, what


def table_rows(text: str, reader: Callable[[Sequence[str]], Callable[[Row], T]]) -> tuple[T, ...]:
    """The rows of a CSV text as ``reader`` makes them, which is given the columns first (in small letters).

    Raises ValueError with what is wrong with the columns, or :class:`RowFault`.
    """
    rows = []
    for row in each_row(text, reader):
        if isinstance(row, RowFault):
            raise row
        rows.append(row)
    return tuple(rows)


def each_row(text: str, reader: Callable[[Sequence[str]], Callable[[Row], T]]) -> Iterator[T | RowFault]:
    """The same, one by one; of a row that cannot be used, the fault."""
    raw = csv.DictReader(text.lstrip("\ufeff").splitlines())
    try:
        columns = [column.strip().lower() for column in raw.fieldnames or ()]
    except csv.Error as error:
        raise ValueError(str(error)) from None
    raw.fieldnames = columns
    if len(set(columns)) != len(columns):
        raise ValueError(f"a column stands twice among {', '.join(columns)}")
    made = reader(columns)
    try:
        for row in raw:
            yield _made(row, raw.line_num, made)
    except csv.Error as error:
        yield RowFault(raw.line_num + 1, str(error))


def _made(row: Row, number: int, made: Callable[[Row], T]) -> T | RowFault:
    if None in row:
        return RowFault(number, "it has more cells than there are columns")
    try:
        return made({name: (cell or "").strip() for name, cell in row.items()})
    except (ValidationError, InvalidOperation, ValueError, TypeError) as error:
        return RowFault(number, _said(error))


def _said(error: Exception) -> str:
    if isinstance(error, ValidationError):
        first = error.errors()[0]
        return f"{'.'.join(map(str, first['loc']))}: {first['msg'].removeprefix('Value error, ')}"
    return "a number is not a plain decimal" if isinstance(error, InvalidOperation) else str(error)
