"""A table in pieces: the rows of each exam, the table's header before them, cut without holding the table.

This asks that the rows of an exam stand together. A table is gone through once before its first piece is cut: one
that is broken anywhere, or whose exams come apart, is never cut. Where it is small enough it is then read whole.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from adapter.files.dedupe import Dedupe
from adapter.problems import Layer, Problem, Severity
from adapter.read.csv_columns import COLUMNS, REQUIRED
from adapter.read.files import MOST_BYTES, unpacked
from adapter.run.pieces import Piece, PieceKind

if TYPE_CHECKING:
    from adapter.read.plan import Plan

_DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class Rows:
    """How tables are cut: by the columns of ``key``, where these change; without a key at every row.

    A table is only cut where its header has the columns that are ``needed`` and, where ``known`` are named, no
    others: what is wrong with a header is to be said once. ``every`` says that all inputs are tables, whatever their
    names. The delimiter is found as the readers find it. ``whole`` tables are never cut: their header is not row 1.
    """

    key: tuple[str, ...] = ("exam_id",)
    needed: tuple[str, ...] = REQUIRED
    known: tuple[str, ...] = COLUMNS
    encoding: str = "utf-8-sig"
    delimiter: str | None = None
    delimiters: tuple[str, ...] = _DELIMITERS
    every: bool = False
    whole: bool = False

    @classmethod
    def of_plan(cls, plan: Plan) -> Rows:
        """For tables that are read through a plan."""
        encoding = "utf-8-sig" if plan.table.encoding == "utf-8" else plan.table.encoding
        needed, delimiters = tuple(plan.columns()), (",", ";", "\t", "|")
        whole = not plan.table.begins_with_header
        return cls(tuple(plan.key), needed, (), encoding, plan.table.delimiter, delimiters, True, whole)


@dataclass(frozen=True, slots=True)
class _Group:
    key: tuple[str, ...]
    first_row: int
    text: str
    position: int


def rows_of(path: Path, how: Rows, whole: Piece) -> Iterator[Piece]:
    """The pieces of a table; ``whole`` is given back where it cannot be cut and is small enough, else the reason."""
    header = None if how.whole else _header(path, how)
    found = None if header is None else _looked_through(path, how)
    small = whole.size <= MOST_BYTES and not (how.every and path.suffix.lower() == ".gz")
    if header is None or found == 0 or (isinstance(found, Problem) and small):
        yield whole
    elif isinstance(found, Problem):
        yield replace(whole, fault=replace(found, file=whole.file))
    else:
        length = len(header.encode())
        for group in _groups(path, how):
            data = (header + group.text).encode()
            yield Piece(PieceKind.ROWS, whole.file, group.first_row, data, length, position=group.position)


def _header(path: Path, how: Rows) -> str | None:
    """The first line, or None where it is no header that a piece could begin with."""
    with path.open("rb") as file:
        first = unpacked(file).readline(1 << 20)
    try:
        header = first.decode(how.encoding)
        names = [name.strip() for name in next(csv.reader([header], delimiter=_delimiter(header, how)), [])]
    except (UnicodeDecodeError, csv.Error):
        return None
    while names and not names[-1] and not how.known:
        names.pop()
    sound = header.endswith(("\n", "\r")) and header.count('"') % 2 == 0 and len(set(names)) == len(names)
    strange = [name for name in names if how.known and name not in how.known]
    return header if sound and not strange and {*how.key, *how.needed} <= set(names) else None


def _delimiter(header: str, how: Rows) -> str:
    return how.delimiter or max(how.delimiters, key=header.count)


def _looked_through(path: Path, how: Rows) -> Problem | int:
    """Why the table cannot be cut, else how many pieces it has."""
    row, count = 1, 0
    with Dedupe() as given:
        try:
            for count, group in enumerate(_groups(path, how), start=1):  # noqa: B007
                row = group.first_row
                if how.key and any(group.key) and not given.new("\0".join(group.key)):
                    what = f"the exam of row {row} has rows above too, and the table is too long to be read whole"
                    return _problem(path, row, "rows-apart", what, f"a table sorted by {', '.join(how.key)}")
        except UnicodeDecodeError:
            remedy = "UTF-8: save it again with that encoding, or name the encoding in the plan"
            return _problem(path, row, "not-utf-8", f"is not {how.encoding} after this row", remedy)
        except csv.Error as error:
            remedy = "quotes in pairs (RFC 4180)"
            return _problem(path, row, "not-csv", f"is not CSV after this row: {error}", remedy)
    return count


def _problem(path: Path, row: int, rule: str, what: str, remedy: str) -> Problem:
    return Problem(Severity.FATAL, Layer.CAPTURE, rule, what, remedy, f"row {row}", str(path))


def _groups(path: Path, how: Rows) -> Iterator[_Group]:
    """The rows in groups of the same key. A row in which the key is blank or missing belongs to what is before it."""
    with path.open("rb") as file:
        stream = io.TextIOWrapper(unpacked(file), how.encoding, newline="")
        header = stream.readline()
        delimiter = _delimiter(header, how)
        names = [name.strip() for name in next(csv.reader([header], delimiter=delimiter))]
        places = [names.index(column) for column in how.key]
        taken: list[str] = []
        group: list[str] = []
        key: tuple[str, ...] = ()
        first, number = 2, 1
        for number, cells in enumerate(csv.reader(_kept(stream, taken), delimiter=delimiter, strict=True), start=2):
            here = tuple(cells[n].strip() if n < len(cells) else "" for n in places)
            begins = any(here) and any(key) and here != key if places else any(cells)
            if group and begins:
                yield _Group(key, first, "".join(group), file.tell())
                group, first = [], number
            key = here if any(here) else key
            group.append("".join(taken))
            taken.clear()
        if group:
            yield _Group(key, first, "".join(group), file.tell())
        stream.detach()


def _kept(lines: Iterator[str], taken: list[str]) -> Iterator[str]:
    for line in lines:
        taken.append(line)
        yield line
