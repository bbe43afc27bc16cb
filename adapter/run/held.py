"""Which exams an extract holds, so that it can be found again when one of them is retracted later.

``held.csv`` stands in every extract and has one column: the id of each exam as first recorded, in a de-identified one
its pseudonym. It tells nothing that the extract does not.
"""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing
from pathlib import Path

from adapter.problems import AdapterError, ExitCode

HELD = "held.csv"
_HEADING = ["exam_root"]


class NoExtract(AdapterError, ValueError):
    """A folder that is no extract, or one of a version that did not say what it held."""

    exit_code = ExitCode.USAGE


def write_held(folder: Path, roots: Iterable[str]) -> None:
    """Write which exams the extract in this folder holds, in the order of their ids."""
    with closing(sqlite3.connect("")) as base, (folder / HELD).open("w", encoding="utf-8", newline="") as file:
        base.execute("create table held (root text primary key) without rowid")
        base.executemany("insert or ignore into held values (?)", ((root,) for root in roots))
        writer = csv.writer(file)
        writer.writerow(_HEADING)
        writer.writerows(base.execute("select root from held order by root"))


def check_release(folder: Path) -> None:
    """Raises :class:`NoExtract` for a folder that is no de-identified extract."""
    if not (folder / "deidentification.json").is_file():
        raise NoExtract(f"{folder} has no deidentification.json: it is no release")


def held_in(folder: Path, roots: frozenset[str]) -> Iterator[str]:
    """Which of these exams the extract in a folder holds. Raises :class:`NoExtract`."""
    try:
        with (folder / HELD).open(encoding="utf-8", newline="") as file:
            reader = csv.reader(file)
            if next(reader, None) != _HEADING:
                raise NoExtract(f"{folder / HELD} is not the list of an extract")
            yield from (row[0] for row in reader if row and row[0] in roots)
    except OSError:
        raise NoExtract(f"{folder} has no {HELD}: it is no extract, or one of an earlier version") from None
