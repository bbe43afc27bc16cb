"""What is refused, set aside: each with its place, id and problems, and as it was, to be mended and run again.

``problems.ndjson`` has a line for each: ``file``, ``line`` or ``row``, ``exam``, ``problems``, and ``kept``, the file
beside it that holds the line or rows. These hold them byte for byte: ``lines.ndjson``, and ``rows-….csv`` for each
header that tables had. A file that was refused whole stays where it is.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from adapter.problems import Problem
from adapter.run.chunks import Form, Unit
from adapter.run.work import Landing, Output, Taken

REJECTED = "rejected"
"""The folder for what was refused, in a chunk's folder and in a run's."""

PROBLEMS = "problems.ndjson"
_LINES = "lines.ndjson"
_EMPTY = ("", None)


def output_of(name: str) -> Output:
    """How a file of what was set aside is put together."""
    return Output(name, name, Landing.TABLE if name.endswith(".csv") else Landing.JOIN)


def set_aside(made: Path, unit: Unit, refused: Sequence[Taken]) -> None:
    """Write what a unit had refused into the chunk's folder ``made``; raises ``OSError``."""
    folder = made / REJECTED
    folder.mkdir(mode=0o700, exist_ok=True)  # captures as they were
    kept = _keep(folder, unit)
    with (folder / PROBLEMS).open("ab") as file:
        for taken in refused:
            entry: dict[str, Any] = {"file": unit.file}
            if unit.at:
                entry["row" if unit.form is Form.ROWS else "line"] = unit.at
            entry["exam"] = taken.exam or _exam_id(unit)
            entry["problems"] = [problem_fields(problem) for problem in taken.problems]
            if kept:
                entry["kept"] = kept
            file.write(json.dumps(entry, ensure_ascii=False).encode() + b"\n")


def setting_aside(made: Path, unit: Unit, all_taken: Iterable[Taken]) -> Iterator[Taken]:
    """What is taken of a unit, passed on; what of it was refused is set aside when it ends, or when it breaks off."""
    refused = []
    try:
        for taken in all_taken:
            if taken.refused:
                refused.append(taken)
            yield taken
    finally:
        if refused:
            set_aside(made, unit, refused)


def problem_fields(problem: Problem) -> dict[str, Any]:
    """A problem as JSON has it, without what is not known."""
    return {name: value for name, value in asdict(problem).items() if value not in _EMPTY}


def _exam_id(unit: Unit) -> str | None:
    """The id that a line gives its exam, though it could not be understood as one."""
    try:
        found = json.loads(unit.data)["exam"]["id"] if unit.form is Form.LINE else None
    except (ValueError, TypeError, KeyError, IndexError, RecursionError):
        return None
    return found if isinstance(found, str) and found.isprintable() else None


def _keep(folder: Path, unit: Unit) -> str:
    if not unit.data or unit.form is Form.FILE:
        return ""
    header, data = unit.data[: unit.header], unit.data[unit.header :]
    name = f"rows-{hashlib.blake2b(header, digest_size=4).hexdigest()}.csv" if header else _LINES
    path = folder / name
    new = not path.exists()
    with path.open("ab") as file:
        if new:
            file.write(header)
        file.write(data if data.endswith(b"\n") else data + b"\n")
    return name
