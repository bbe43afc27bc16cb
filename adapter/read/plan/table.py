"""Any table as rows of text: CSV, TSV and XLSX, the cells as they were written."""

from __future__ import annotations

import csv
import gzip
import io
import re
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from adapter.problems import AdapterError, Problem
from adapter.read.files import MOST_BYTES, MOST_CELLS, MOST_UNPACKED, table_rows, unpacked
from adapter.read.places import Place
from adapter.read.plan.header import MOST_ABOVE, find_header, header_line
from adapter.read.plan.model import TablePlan
from adapter.read.wording import listed, one_of, shown

_BROKEN = (zipfile.BadZipFile, zlib.error, KeyError, ValueError, TypeError, SyntaxError)
"""What a broken workbook makes openpyxl and the XML parser raise, at its beginning or at any row."""

_WORKBOOKS = (".xlsx", ".xlsm")
_ZIP = b"PK\x03\x04"
_SHEETS = "xl/worksheets/"
_MOST_ROWS = 1_048_576
"""Of a sheet, as spreadsheets have it."""


class TooManyCells(AdapterError):
    """A table of more cells than are read."""


Row = tuple[int, dict[str, str]]
"""A row's number, counted as a spreadsheet does (from 1, whatever row the header is), and its cells, trimmed."""


@dataclass(frozen=True, slots=True)
class SourceTable:
    """The header of a table and its rows, read as they are asked for."""

    columns: tuple[str, ...]
    rows: Iterator[Row | Problem]
    header: int = 1
    """The number of the header's last row."""


def open_table(source: Path | bytes, how: TablePlan, name: str = "") -> SourceTable | Problem:
    """The table of a file or of its content, or why it cannot be read: a workbook, or text."""
    lines = table_lines(source, how, name)
    return lines if isinstance(lines, Problem) else _table(lines, how, _place(source, name))


def _place(source: Path | bytes, name: str) -> Place:
    return Place("", None, name or (str(source) if isinstance(source, Path) else "standard input"))


def table_lines(source: Path | bytes, how: TablePlan, name: str = "") -> Iterator[list[str]] | Problem:
    """The cells of every row, from the first on and whatever it is; or why there are none."""
    data = content_of(source, name)
    if isinstance(data, Problem):
        return data
    return (_sheet if is_workbook(data, name or str(source)) else _text)(data, how, _place(source, name))


def content_of(source: Path | bytes, name: str = "") -> bytes | Problem:
    """What is in a file, unpacked; or why it cannot be had."""
    place = _place(source, name)
    try:
        data = source if isinstance(source, bytes) else _content(source)
    except (gzip.BadGzipFile, EOFError):
        return place.error("cannot-read", "is a gzip file that is damaged or cut off", "the whole file, packed anew")
    except OSError as error:
        return place.error(
            "cannot-read", f"cannot be read: {error.strerror or error}", "a file that exists and may be read"
        )
    return _too_large(place, f"is larger than {MOST_BYTES // 1024 // 1024} MB") if len(data) > MOST_BYTES else data


def _content(path: Path) -> bytes:
    with path.open("rb") as file:
        return unpacked(file).read(MOST_BYTES + 1)


def is_workbook(data: bytes, name: str) -> bool:
    """Whether this is the content of a workbook, and no text."""
    return data.startswith(_ZIP) or name.lower().endswith(_WORKBOOKS)


def _too_large(place: Place, what: str) -> Problem:
    return place.error("too-large", what, "several smaller tables")


def header_of(path: Path, how: TablePlan) -> SourceTable | Problem:
    """The table of a file of any size, of which only the columns are to be known."""
    small = not path.is_file() or path.stat().st_size <= MOST_BYTES
    if small or path.suffix.lower() in _WORKBOOKS or not how.begins_with_header:
        return open_table(path, how)
    with path.open("rb") as file:
        first = file.readline(MOST_BYTES)
    return piece_of_table(first.decode(how.encoding, "replace").removeprefix("\ufeff"), how, str(path), 2)


def piece_of_table(text: str, how: TablePlan, name: str, first_row: int) -> SourceTable | Problem:
    """A piece of a longer text table: its header and some of its rows, the first of which has this number."""
    return _table(_csv(text, how), how, Place("", None, name), first_row)


def _table(
    lines: Iterator[list[str]], how: TablePlan, place: Place, first_row: int | None = None
) -> SourceTable | Problem:
    try:
        found = find_header(lines, how)
    except TooManyCells:
        return _too_large(place, f"holds more than {MOST_CELLS} cells")
    except csv.Error as error:
        return place.error("not-csv", f"is not a table: {error}", "quotes in pairs (RFC 4180), or a sound workbook")
    if found is None:
        what = f"no row of the first {MOST_ABOVE} holds all of {listed(how.header_with)}"
        return place.error("no-header", what, "names of the header in header_with, as they stand in its cells")
    number, header = found
    head = Place(f"row {number}", None, place.file)
    if not header:
        return head.error("empty-file", "has no header", "the names of the columns in one row")
    twice = [column for column, count in Counter(header).items() if column and count > 1]
    if twice:
        return head.error("column-twice", f"the column {shown(twice[0])} stands twice", "each column named once")
    absent = next((skip.column for skip in how.skip_where if skip.column not in header), None)
    if absent is not None:
        what = f"skip_where names a column {shown(absent)}, which is not there"
        return head.error("no-column", what, one_of(absent, header, 30))
    return SourceTable(
        header, _kept(_rows(header, lines, place, first_row or number + 1, how.skip_rows), how), number
    )


def _kept(rows: Iterator[Row | Problem], how: TablePlan) -> Iterator[Row | Problem]:
    """The rows that the plan does not skip."""
    for row in rows:
        if isinstance(row, Problem) or not any(row[1][skip.column] in skip.is_ for skip in how.skip_where):
            yield row


def _rows(
    header: tuple[str, ...], lines: Iterator[list[str]], place: Place, first_row: int, skipped: tuple[int, ...]
) -> Iterator[Row | Problem]:
    number = first_row - 1
    try:
        for number, cells in enumerate(lines, start=first_row):
            if number in skipped or not any(cell.strip() for cell in cells):
                continue
            if len(cells) < len(header) or any(cell.strip() for cell in cells[len(header) :]):
                what = f"{len(cells)} cells, the header has {len(header)}"
                remedy = "as many cells as columns; a cell that holds the delimiter stands in quotes"
                yield Place(f"row {number}", None, place.file).error("row-width", what, remedy)
            else:
                yield number, {column: cell.strip() for column, cell in zip(header, cells, strict=False)}
    except TooManyCells:
        yield _too_large(Place(f"row {number + 1}", None, place.file), f"holds more than {MOST_CELLS} cells")
    except csv.Error as error:
        remedy = "quotes in pairs (RFC 4180), or a sound workbook"
        yield Place(f"row {number + 1}", None, place.file).error("not-csv", f"is not a table: {error}", remedy)


def _text(data: bytes, how: TablePlan, place: Place) -> Iterator[list[str]] | Problem:
    try:
        text = data.decode("utf-8-sig" if how.encoding == "utf-8" else how.encoding)
    except UnicodeDecodeError:
        return place.error("not-utf-8", f"is not {how.encoding}", "name the encoding in the plan: table, encoding")
    return _csv(text, how)


def _csv(text: str, how: TablePlan) -> Iterator[list[str]]:
    delimiter: str = how.delimiter or max((",", ";", "\t", "|"), key=header_line(text, how).count)
    return table_rows(text, delimiter)


def sheets_of(data: bytes, name: str) -> list[str] | Problem:
    """The names of a workbook's sheets that are shown."""
    workbook = _workbook(data, Place("", None, name))
    if isinstance(workbook, Problem):
        return workbook
    names = [sheet.title for sheet in workbook.worksheets if sheet.sheet_state == "visible"]
    workbook.close()
    return names


def _workbook(data: bytes, place: Place) -> Any:
    """The workbook, or the problem that it cannot be read."""
    import openpyxl  # here: it is large, and most tables are text
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            sizes = {part.filename: part.file_size for part in parts.infolist()}
        held = max((size for name, size in sizes.items() if not name.startswith(_SHEETS)), default=0)
        if sum(sizes.values()) > MOST_UNPACKED or held > MOST_BYTES:
            return _too_large(place, f"unpacks to {sum(sizes.values()) // 1024 // 1024} MB")
        return openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True)
    except (*_BROKEN, InvalidFileException):
        return place.error("not-a-workbook", "is not a workbook that can be read", "an .xlsx file, or CSV")


def _sheet(data: bytes, how: TablePlan, place: Place) -> Iterator[list[str]] | Problem:
    workbook = _workbook(data, place)
    if isinstance(workbook, Problem):
        return workbook
    if how.sheet is not None and how.sheet not in workbook.sheetnames:
        names = listed(workbook.sheetnames)
        workbook.close()
        return place.error("no-sheet", f"there is no sheet {shown(how.sheet)}", f"one of {names}")
    sheet = workbook[how.sheet] if how.sheet is not None else workbook.worksheets[0]
    return _sheet_lines(workbook, sheet, how.decimal)


def _sheet_lines(workbook: Any, sheet: Any, decimal: str) -> Iterator[list[str]]:
    """The rows of a sheet. It may leave out rows, and say in a few bytes that there are as many as it likes."""
    width, room = 0, MOST_CELLS
    try:
        for number, row in enumerate(sheet.iter_rows(), start=1):
            room -= len(row)
            if room < 0 or number > _MOST_ROWS:
                raise TooManyCells
            cells = [_cell(cell, decimal) for cell in row]
            width = max(width, len(cells))
            yield cells + [""] * (width - len(cells))  # a sheet leaves out empty cells at the end of a row
    except _BROKEN as error:
        raise csv.Error("the sheet is broken") from error
    finally:
        workbook.close()


def _cell(cell: Any, decimal: str) -> str:
    """A cell as text: numbers with the digits stored, dates in ISO 8601, with a time only where one is shown.

    A number is no text that could be ambiguous: it is written with the decimal mark that the plan names.
    """
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, datetime):
        shows_time = re.search("h", re.sub(r'"[^"]*"|\\.|\[[^\]]*\]', "", cell.number_format or ""), re.IGNORECASE)
        return value.isoformat() if shows_time else value.date().isoformat()
    if isinstance(value, (date, time)):
        return value.isoformat()
    if isinstance(value, float):
        return repr(value).replace(".", "," if decimal == "comma" else ".")
    return str(value)
