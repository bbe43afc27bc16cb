"""Integer keys for what has names elsewhere: stable while the list of them is kept.

Persons are numbered by Patient id, visits by Patient and Encounter id, exams by DiagnosticReport id, each from 1 in
the order they come. ``keys.csv`` holds who got which number and leads back to FHIR; given to the next extract, it
keeps every number and goes on behind the last. A row of an event is ``exam * 1000 + its place in the exam``.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path

from adapter.problems import AdapterError, ExitCode

PER_EXAM = 1000
_HEADING = ("kind", "key", "id")


class BadKeys(AdapterError, ValueError):
    """A list of keys that cannot be used."""

    exit_code = ExitCode.USAGE


class Keys:
    """Numbers by kind and key."""

    def __init__(self, rows: Iterable[tuple[str, str, int]] = ()) -> None:
        self._known: dict[tuple[str, str], int] = {}
        self._last: dict[str, int] = {}
        for kind, key, number in rows:
            if (kind, key) in self._known:
                raise BadKeys(f"the list of keys has {kind} {key} twice")
            self._known[kind, key] = number
            self._last[kind] = max(number, self._last.get(kind, 0))

    def number(self, kind: str, key: str) -> int:
        """The number of a key: the one it has, else the next."""
        found = self._known.get((kind, key))
        if found is None:
            found = self._known[kind, key] = self._last.get(kind, 0) + 1
            self._last[kind] = found
        return found

    def write(self, path: Path) -> None:
        """All of them, as CSV."""
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(_HEADING)
            writer.writerows((kind, key, number) for (kind, key), number in self._known.items())


def read_keys(path: Path) -> Keys:
    """The keys of an earlier extract. Raises :class:`BadKeys`."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
    except (OSError, UnicodeDecodeError):
        raise BadKeys(f"{path} cannot be read") from None
    if not rows or tuple(rows[0]) != _HEADING or any(len(row) != 3 or not row[2].isdigit() for row in rows[1:]):
        raise BadKeys(f"{path} is not the keys.csv of an extract: the columns kind, key and id")
    return Keys((kind, key, int(number)) for kind, key, number in rows[1:])
