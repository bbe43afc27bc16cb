"""CSV that a spreadsheet does not take for formulas, and that reads back to the same text.

RFC 4180: UTF-8, comma, CRLF, quotes doubled; an absent value is an empty cell. A text that a spreadsheet could take
for a formula gets an apostrophe before it, as OWASP advises (CSV Injection): where it begins with ``=``, ``+``,
``-``, ``@``, a tab or a line end, and likewise behind a comma, semicolon, tab or line end inside it, which some
spreadsheets take for the end of the cell. An apostrophe there is doubled, so that taking one away gives the text back
(:func:`unguarded`). Numbers are left alone.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import IO, Any

from adapter.write.tables.column import Column, Row, Type

# The full-width forms are those that some spreadsheets read as the ASCII ones.
_RISKY = re.compile(r"(^|[;,\t\r\n])(?=['=+\-@\t\r\n\uFF1D\uFF0B\uFF0D\uFF20])")
_GUARD = re.compile(r"(^|[;,\t\r\n])'")
_NUMBER = re.compile(r"-?\d+(\.\d+)?")


@lru_cache(maxsize=1 << 15)
def guarded(text: str) -> str:
    """Text as a cell that no spreadsheet takes for a formula."""
    return text if _NUMBER.fullmatch(text) else _RISKY.sub(r"\1'", text)


def unguarded(text: str) -> str:
    """The inverse of :func:`guarded`."""
    return _GUARD.sub(r"\1", text)


def cell(value: Any) -> str:
    """A value as the text of a cell."""
    if value is None:
        return ""
    if isinstance(value, str):
        return guarded(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return str(value)


class CsvFile:
    """One table as one CSV file; rows are written as they come."""

    def __init__(self, path: Path, columns: Sequence[Column]) -> None:
        self._file: IO[str] = path.open("w", encoding="utf-8", newline="")
        self._writer = csv.writer(self._file)
        self._writer.writerow([column.name for column in columns])

    def write(self, rows: Iterable[Row]) -> None:
        """Append rows."""
        self._writer.writerows([cell(value) for value in row] for row in rows)

    def close(self) -> None:
        """Finish the file."""
        self._file.close()


class RawCsvFile(CsvFile):
    """The same of cells that are text already, as :class:`CsvFile` wrote them before; None for an empty one."""

    def write(self, rows: Iterable[Row]) -> None:
        """Append rows."""
        self._writer.writerows(rows)


def read_rows(path: Path, columns: Sequence[Column]) -> Iterator[Row]:
    """The rows of a CSV file that :class:`CsvFile` wrote, with their types; a name that differs is a ValueError."""
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.reader(file)
        names = next(reader)
        if names != [column.name for column in columns]:
            raise ValueError(f"{path.name} has other columns than the catalogue gives")
        for cells in reader:
            yield tuple(typed(text, column.type) for text, column in zip(cells, columns, strict=True))


def typed(text: str, type_: Type) -> Any:
    """The value of a cell's text, as :func:`cell` wrote it."""
    if not text:
        return None
    match type_:
        case Type.INTEGER:
            return int(text)
        case Type.DECIMAL:
            return Decimal(text)
        case Type.BOOLEAN:
            return text == "true"
        case Type.INSTANT | Type.LOCAL:
            return datetime.fromisoformat(text)
        case Type.DATE:
            return date.fromisoformat(text)
    return unguarded(text)
