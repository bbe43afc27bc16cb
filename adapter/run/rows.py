"""A long table in pieces: the rows of each exam, the table's header before them, cut without holding the table.

This asks that the rows of an exam stand together. A table is gone through once before its first piece is cut: one
that is broken anywhere, or whose exams come apart, is never cut. Where it is small enough it is then read whole.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from adapter.problems import Layer, Problem, Severity
from adapter.read.files import MOST_BYTES, unpacked
from adapter.run.chunks import Form, Unit
from adapter.run.seen import Seen

WHOLE = 4 * 1024 * 1024
"""A table of at most so many bytes is read whole, wherever the rows of an exam stand."""

_DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class Rows:
    """How tables are cut: by the columns of ``key``, where these change; without a key at every row.

    ``every`` says that all inputs are tables, whatever their names. The delimiter is found as the readers find it.
    """

    key: tuple[str, ...] = ("exam_id",)
    encoding: str = "utf-8-sig"
    delimiter: str | None = None
    delimiters: tuple[str, ...] = _DELIMITERS
    every: bool = False
    whole: int = WHOLE


@dataclass(frozen=True, slots=True)
class _Piece:
    key: tuple[str, ...]
    first_row: int
    text: str
    position: int


def rows_of(path: Path, how: Rows, whole: Unit) -> Iterator[Unit]:
    """The pieces of a table; ``whole`` is given back where it cannot be cut and is small enough, else the reason."""
    header = _header(path, how)
    fault = None if header is None else _reason(path, how)
    small = whole.size <= MOST_BYTES and not (how.every and path.suffix.lower() == ".gz")
    if header is None or (fault is not None and small):
        yield whole
    elif fault is not None:
        yield replace(whole, fault=fault)
    else:
        for piece in _pieces(path, how):
            data = (header + piece.text).encode()
            length = len(header.encode())
            yield Unit(Form.ROWS, str(path), piece.first_row, data, length, position=piece.position)


def _header(path: Path, how: Rows) -> str | None:
    """The first line, or None where it is no header that a piece could begin with."""
    with path.open("rb") as file:
        first = unpacked(file).readline(1 << 20)
    try:
        header = first.decode(how.encoding)
    except UnicodeDecodeError:
        return None
    names = [name.strip() for name in next(csv.reader([header], delimiter=_delimiter(header, how)), [])]
    sound = header.endswith(("\n", "\r")) and header.count('"') % 2 == 0
    return header if sound and all(column in names for column in how.key) else None


def _delimiter(header: str, how: Rows) -> str:
    return how.delimiter or max(how.delimiters, key=header.count)


def _reason(path: Path, how: Rows) -> Problem | None:
    """Why the table cannot be cut."""
    number = 1
    with Seen() as seen:
        try:
            for piece in _pieces(path, how):
                number = piece.first_row
                if how.key and any(piece.key) and seen.first("\0".join(piece.key), number) != number:
                    what = f"the exam of row {number} has rows above too, and the table is too long to be read whole"
                    return _problem(path, number, "rows-apart", what, f"a table sorted by {', '.join(how.key)}")
        except UnicodeDecodeError:
            remedy = "UTF-8: save it again with that encoding, or name the encoding in the plan"
            return _problem(path, number, "not-utf-8", f"is not {how.encoding} after this row", remedy)
        except csv.Error as error:
            return _problem(
                path, number, "not-csv", f"is not CSV after this row: {error}", "quotes in pairs (RFC 4180)"
            )
    return None


def _problem(path: Path, row: int, rule: str, what: str, remedy: str) -> Problem:
    return Problem(Severity.FATAL, Layer.CAPTURE, rule, what, remedy, f"row {row}", str(path))


def _pieces(path: Path, how: Rows) -> Iterator[_Piece]:
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
            begins = any(here) and here != key if places else any(cells)
            if group and begins:
                yield _Piece(key, first, "".join(group), file.tell())
                group, first = [], number
            key = here if any(here) else key
            group.append("".join(taken))
            taken.clear()
        if group:
            yield _Piece(key, first, "".join(group), file.tell())
        stream.detach()


def _kept(lines: Iterator[str], taken: list[str]) -> Iterator[str]:
    for line in lines:
        taken.append(line)
        yield line
