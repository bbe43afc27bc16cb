"""What is refused: each with its place, id and problems, and as it was, to be mended and run again.

``problems.ndjson`` has a line for each: ``file``, ``line`` or ``row``, ``exam``, ``problems``, and ``kept``, the file
beside it that holds the line, rows or resources. These hold them byte for byte: ``lines.ndjson``, ``rows-….csv`` for
each header that tables had, ``standard-input``. A file that was refused stays where it is.

An exam with warnings alone is in the output, and in doubt.
"""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from adapter.problems import Layer, Problem, Severity
from adapter.run.pieces import Piece, PieceKind
from adapter.run.work import Handled, Landing, Output

REJECTED = "rejected"
"""The folder for what was refused, in a chunk's folder and in a run's."""

PROBLEMS = "problems.ndjson"
_LINES = "lines.ndjson"
_EMPTY = ("", None)
_PLACE = {PieceKind.ROWS: "row", PieceKind.LINE: "line"}


def output_of(name: str) -> Output:
    """How a file of what was refused is put together."""
    return Output(name, name, Landing.TABLE if name.endswith(".csv") else Landing.JOIN)


def reject(made: Path, piece: Piece, refused: Sequence[Handled]) -> None:
    """Write what a piece had refused into the chunk's folder ``made``; raises ``OSError``."""
    folder = made / REJECTED
    folder.mkdir(mode=0o700, exist_ok=True)  # captures as they were
    kept = _keep(folder, piece)
    with (folder / PROBLEMS).open("ab") as file:
        for handled in refused:
            entry: dict[str, Any] = {"file": piece.file}
            if piece.kind in _PLACE:
                entry[_PLACE[piece.kind]] = piece.at
            entry["exam"] = handled.exam or _exam_id(piece)
            entry["problems"] = [problem_fields(problem) for problem in handled.problems]
            if kept:
                entry["kept"] = kept
            file.write(json.dumps(entry, ensure_ascii=False).encode() + b"\n")


def rejecting(made: Path, piece: Piece, all_handled: Iterable[Handled]) -> Iterator[Handled]:
    """What a piece holds, passed on; what of it was refused is kept when it ends, or when it breaks off."""
    refused = []
    try:
        for handled in all_handled:
            if handled.refused:
                refused.append(handled)
            yield handled
    finally:
        if refused:
            reject(made, piece, refused)


def problems_in(folder: Path) -> Iterator[Problem]:
    """The problems in a folder of rejects, in order; none where there is no such folder."""
    path = folder / PROBLEMS
    if path.is_file():
        with path.open("rb") as file:
            for entry in map(json.loads, file):
                yield from map(problem_of, entry["problems"])


def problem_fields(problem: Problem) -> dict[str, Any]:
    """A problem as JSON has it, without what is not known."""
    return {name: value for name, value in asdict(problem).items() if value not in _EMPTY}


def problem_of(fields: dict[str, Any]) -> Problem:
    """A problem again, of what :func:`problem_fields` gave."""
    known = {**fields, "severity": Severity(fields["severity"]), "layer": Layer(fields["layer"])}
    return Problem(**{"rule": "", "what": "", **known})


def _exam_id(piece: Piece) -> str | None:
    """The id that a record gives its exam, though it could not be understood as one."""
    try:
        found = _id_in_rows(piece) if piece.kind is PieceKind.ROWS else json.loads(piece.content())["exam"]["id"]
    except (ValueError, TypeError, KeyError, IndexError, RecursionError, OSError, EOFError, zlib.error, csv.Error):
        return None
    return found if isinstance(found, str) and found.isprintable() else None


def _id_in_rows(piece: Piece) -> str | None:
    header, data = piece.data[: piece.header].decode(), piece.data[piece.header :].decode()
    delimiter = max((",", ";", "\t"), key=header.count)
    names, first = (next(csv.reader([line], delimiter=delimiter)) for line in (header, data.partition("\n")[0]))
    return first[[name.strip() for name in names].index("exam_id")].strip() or None


def _keep(folder: Path, piece: Piece) -> str:
    """The name of the file in which the piece is kept; none where it can be found as it is."""
    if piece.copy:
        target = folder / piece.file.replace(" ", "-")
        shutil.copyfile(piece.copy, target)
        return target.name
    if not piece.data:
        return ""
    header, data = piece.data[: piece.header], piece.data[piece.header :]
    name = f"rows-{hashlib.blake2b(header, digest_size=4).hexdigest()}.csv" if header else _LINES
    path = folder / name
    new = not path.exists()
    with path.open("ab") as file:
        if new:
            file.write(header)
        file.write(data if data.endswith(b"\n") else data + b"\n")
    return name
