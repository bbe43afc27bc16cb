"""Files, folders and streams in pieces: NDJSON by the line, tables by the exam, all else by the file.

Resources that stand alone, as a Bulk Data export has them, are gathered to exams first (:mod:`adapter.run.loose`).
"""

from __future__ import annotations

import gzip
import json
import sys
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from hashlib import blake2b
from itertools import chain
from pathlib import Path
from typing import BinaryIO

from adapter.problems import Layer, Problem, Severity
from adapter.read.files import MOST_BYTES, unpacked
from adapter.read.inputs import files_in
from adapter.run.loose import LooseResources, stands_alone
from adapter.run.pieces import Piece, PieceKind
from adapter.run.rows import Rows, rows_of

_LINES = (".ndjson", ".jsonl")
_TABLES = (".csv", ".tsv", ".tab")
_WORKBOOKS = (".xlsx", ".xlsm")
_STEP = 1 << 20
_HEAD = 4096
_BOM = b"\xef\xbb\xbf"
SUMMARY = ".summary.json"
"""How the name of a run's counts ends, which stand beside its output."""


@dataclass(frozen=True, slots=True)
class Stream:
    """An input that can be read once: its name in problems, and its bytes in any portions."""

    name: str
    portions: Iterable[bytes]


@dataclass(frozen=True, slots=True)
class Copied:
    """What came through a stream, as a file that is there for this run alone."""

    name: str
    path: Path


Given = Path | Stream | Copied


@dataclass(frozen=True, slots=True)
class Cut:
    """How inputs are cut.

    ``rows``: how tables are; none where inputs are no tables. ``gathered``: in which system the exams' identifiers
    are, where resources that stand alone are gathered to exams; none where each is taken by itself.
    """

    rows: Rows | None = field(default_factory=Rows)
    gathered: str | None = None


def standard_input() -> Stream:
    """What comes through standard input."""
    return Stream("standard input", iter(lambda: sys.stdin.buffer.readline(_STEP), b""))


def copied(inputs: Sequence[Given], folder: Path) -> list[Given]:
    """The inputs, streams written into files of this folder, so that all can be gone through again."""
    return [_copied(given, folder / f"{n}") if isinstance(given, Stream) else given for n, given in enumerate(inputs)]


def _copied(given: Stream, path: Path) -> Copied:
    with path.open("wb") as file:
        file.writelines(given.portions)
    return Copied(given.name, path)


def files_of(inputs: Sequence[Given]) -> Iterator[Given]:
    """The files that are meant: a folder stands for the files in it, in name order.

    Left out of a folder are names that begin with a dot, and the counts of runs (``OUT.summary.json``).
    """
    for given in inputs:
        if isinstance(given, Path) and given.is_dir():
            yield from (path for path in files_in(given) if not path.name.endswith(SUMMARY))
        else:
            yield given


def weight_of(inputs: Sequence[Given]) -> int:
    """The bytes of all inputs as they lie on the disk."""
    files = [given for given in files_of(inputs) if not isinstance(given, Stream)]
    paths = [given if isinstance(given, Path) else given.path for given in files]
    return sum(path.stat().st_size for path in paths if path.is_file())


def pieces_of(inputs: Sequence[Given], cut: Cut | None = None, folder: Path | None = None) -> Iterator[Piece]:
    """All pieces of the inputs, in order.

    What cannot be read is a piece with the fault; nothing is raised. ``folder``: where a stream may be copied to,
    which is only done where it is no NDJSON.
    """
    cut = cut or Cut()
    with LooseResources(cut.gathered or "") as loose:
        before = 0
        for given in files_of(inputs):
            for piece in _pieces(given, cut, folder, loose):
                yield replace(piece, position=before + piece.position)
            before += weight_of([given])
        for piece in loose.exams():
            yield replace(piece, position=before)


def _pieces(given: Given, cut: Cut, folder: Path | None, loose: LooseResources) -> Iterator[Piece]:
    if isinstance(given, Stream):
        yield from _of_stream(given, cut, folder, loose)
        return
    path, name = (given, str(given)) if isinstance(given, Path) else (given.path, given.name)
    whole = Piece(PieceKind.FILE, name, state="0")
    try:
        whole = _whole(given, path, name)
        yield from _of_file(path, whole, cut, loose)
    except (gzip.BadGzipFile, zlib.error, EOFError):
        yield _fault(whole, "a gzip file that is damaged or cut off here", "the whole file, packed anew")
    except OSError as error:
        yield _fault(whole, f"cannot be read: {error.strerror or error}", "a file that exists and may be read")


def _whole(given: Given, path: Path, name: str) -> Piece:
    status = path.stat()
    if isinstance(given, Path):
        return Piece(PieceKind.FILE, name, state=f"{status.st_size} {status.st_mtime_ns}", position=status.st_size)
    made = blake2b(digest_size=16)
    with path.open("rb") as file:
        while portion := file.read(_STEP):
            made.update(portion)
    return Piece(PieceKind.FILE, name, state=f"{status.st_size} {made.hexdigest()}", copy=str(path))


def _fault(whole: Piece, what: str, remedy: str) -> Piece:
    problem = Problem(Severity.FATAL, Layer.CAPTURE, "cannot-read", what, remedy, file=whole.file)
    return replace(whole, fault=problem)


def _of_stream(given: Stream, cut: Cut, folder: Path | None, loose: LooseResources) -> Iterator[Piece]:
    """Lines as they come, where the first is a whole JSON object; else the whole by way of a file."""
    lines = iter(given.portions)
    first = next(lines, b"")
    if folder is None or (first.endswith(b"\n") and _is_object(first)):
        for number, line in enumerate(chain([first], lines), start=1):
            yield from _line(Piece(PieceKind.LINE, given.name, number, line), cut, loose)
    else:
        copy = _copied(Stream(given.name, chain([first], lines)), folder / "standard-input")
        yield from _pieces(copy, cut, None, loose)


def _of_file(path: Path, whole: Piece, cut: Cut, loose: LooseResources) -> Iterator[Piece]:
    ending = Path(whole.file.lower().removesuffix(".gz")).suffix
    if cut.rows is not None and (ending in _TABLES or cut.rows.every):
        yield from rows_of(path, cut.rows, whole) if ending not in _WORKBOOKS else (whole,)
    elif ending in _LINES or _is_ndjson(path):
        empty = True
        for line in _lines(path, whole.file):
            empty = False
            yield from _line(line, cut, loose)
        if empty:
            yield whole
    elif cut.gathered is not None and stands_alone(_head(path), lambda: _content(path)):
        yield from loose.add(whole, _content(path))
    elif cut.rows is not None and not _head(path).removeprefix(_BOM).lstrip().startswith((b"{", b"[", b"<")):
        yield from rows_of(path, cut.rows, whole)
    else:
        yield whole


def _line(line: Piece, cut: Cut, loose: LooseResources) -> Iterator[Piece]:
    if cut.gathered is not None and stands_alone(line.data[:_HEAD], lambda: line.data):
        yield from loose.add(line, line.data)
    else:
        yield line


def _head(path: Path) -> bytes:
    with path.open("rb") as file:
        return unpacked(file).read(_HEAD)


def _content(path: Path) -> bytes:
    with path.open("rb") as file:
        return unpacked(file).read(MOST_BYTES + 1)


def _is_ndjson(path: Path) -> bool:
    """Whether a file is NDJSON by its beginning: the first line is a whole JSON object and another follows."""
    with path.open("rb") as file:
        stream = unpacked(file)
        first = stream.readline(MOST_BYTES).removeprefix(_BOM)
        while (following := stream.readline(_HEAD)) and not following.strip():
            pass
        return following.lstrip().startswith(b"{") and _is_object(first)


def _is_object(line: bytes) -> bool:
    if not line.lstrip().startswith(b"{"):
        return False
    try:
        json.loads(line)
    except (ValueError, RecursionError):
        return False
    return True


def _lines(path: Path, name: str) -> Iterator[Piece]:
    """Each line, blank ones too; of one that is too long only so much that this can be seen."""
    with path.open("rb") as file:
        stream = unpacked(file)
        number = 0
        while line := stream.readline(MOST_BYTES + 1):
            number += 1
            if len(line) > MOST_BYTES:
                _pass_over(stream)
            yield Piece(PieceKind.LINE, name, number, line, position=file.tell())


def _pass_over(stream: BinaryIO) -> None:
    while (more := stream.readline(_STEP)) and not more.endswith(b"\n"):
        pass
