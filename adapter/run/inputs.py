"""Files and folders as units, read as a stream: NDJSON by the line, long tables by the exam, all else by the file."""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from adapter.problems import Layer, Problem, Severity
from adapter.read.files import MOST_BYTES, one_a_line, unpacked
from adapter.run.chunks import BYTES, Form, Unit
from adapter.run.rows import Rows, rows_of

_LINES = (".ndjson", ".jsonl")
_TABLES = (".csv", ".tsv", ".tab")
_WORKBOOKS = (".xlsx", ".xlsm")
_STEP = 1 << 20
_HEAD = 64 * 1024


def files_of(inputs: Sequence[Path]) -> Iterator[Path]:
    """The files that are meant: a folder stands for the files in it, in name order, those with a dot left out."""
    for path in inputs:
        if path.is_dir():
            yield from sorted(p for p in path.iterdir() if p.is_file() and not p.name.startswith("."))
        else:
            yield path


def weight_of(inputs: Sequence[Path]) -> int:
    """The bytes of all inputs as they lie on the disk."""
    return sum(path.stat().st_size for path in files_of(inputs) if path.is_file())


def units_of(inputs: Sequence[Path], rows: Rows | None = None) -> Iterator[Unit]:
    """All units of files and folders, in order.

    ``rows`` says how a long table is cut; without it tables are read whole. What cannot be read is a unit with the
    fault; nothing is raised.
    """
    before = 0
    for path in files_of(inputs):
        try:
            status = path.stat()
            for unit in _units(path, rows, f"{status.st_size} {status.st_mtime_ns}"):
                yield replace(unit, position=before + unit.position)
            before += status.st_size
        except (gzip.BadGzipFile, zlib.error, EOFError):
            yield _fault(path, "a gzip file that is damaged or cut off here", "the whole file, packed anew", before)
            before += status.st_size
        except OSError as error:
            what = f"cannot be read: {error.strerror or error}"
            yield _fault(path, what, "a file that exists and may be read", before)


def _fault(path: Path, what: str, remedy: str, position: int) -> Unit:
    problem = Problem(Severity.FATAL, Layer.CAPTURE, "cannot-read", what, remedy, file=str(path))
    return Unit(Form.FILE, str(path), state="0", fault=problem, position=position)


def _units(path: Path, rows: Rows | None, state: str) -> Iterator[Unit]:
    size = int(state.partition(" ")[0])
    whole = Unit(Form.FILE, str(path), state=state, position=size)
    ending = Path(path.name.lower().removesuffix(".gz")).suffix
    packed = path.suffix.lower() == ".gz"
    if rows is not None and (ending in _TABLES or rows.every):
        cut = ending not in _WORKBOOKS and (size > rows.whole or packed)
        yield from rows_of(path, rows, whole) if cut else (whole,)
    elif ending in _LINES or ((packed or size > BYTES) and _is_ndjson(path)):
        empty = True
        for unit in _lines(path):
            empty = False
            yield unit
        if empty:
            yield whole
    else:
        yield whole


def _is_ndjson(path: Path) -> bool:
    with path.open("rb") as stream:
        head = unpacked(stream).read(_HEAD)
    return one_a_line(head.decode("utf-8-sig", errors="ignore").lstrip())


def _lines(path: Path) -> Iterator[Unit]:
    """Each line, blank ones too; of one that is too long only so much that this can be seen."""
    with path.open("rb") as file:
        stream = unpacked(file)
        number = 0
        while line := stream.readline(MOST_BYTES + 1):
            number += 1
            if len(line) > MOST_BYTES:
                _pass_over(stream)
            yield Unit(Form.LINE, str(path), number, line, position=file.tell())


def _pass_over(stream: BinaryIO) -> None:
    while (more := stream.readline(_STEP)) and not more.endswith(b"\n"):
        pass
