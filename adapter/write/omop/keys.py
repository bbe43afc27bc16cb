"""Integer keys for what has names elsewhere: stable while the list of them is kept.

Persons are numbered by Patient id, visits by Patient and Encounter id, each from 1 in the order they come. Rows of
events are numbered in blocks of 64, of which each exam has as many as it needs, by DiagnosticReport id: the rows of
block *n* are *n* * 64 and the 63 that follow. ``keys.csv`` holds who got which number and leads back to FHIR; given
to the next extract, it keeps every number and goes on behind the last.

The keys of the CDM are 32-bit integers (CDM 5.4 DDL: ``integer``), so that a number beyond 2,147,483,647 is refused.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable
from pathlib import Path

from adapter.problems import AdapterError, ExitCode

BLOCK = 64
MOST = 2**31 - 1
IDENTIFIED = "identified"
"""Who keys are for, where an extract was not de-identified."""
_HEADING = ("kind", "key", "id")
_MADE_FOR = "made for"
_KINDS = ("person", "visit", "rows")


class BadKeys(AdapterError, ValueError):
    """A list of keys that cannot be used."""

    exit_code = ExitCode.USAGE


class Keys:
    """Numbers by kind and key. ``made_for``: :data:`IDENTIFIED`, or a mark of the key that made the pseudonyms."""

    def __init__(self, rows: Iterable[tuple[str, str, int]] = (), made_for: str = IDENTIFIED) -> None:
        self.made_for = made_for
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

    def row(self, exam: str, place: int) -> int:
        """The number of an exam's row, by its place from 0. Raises :class:`BadKeys` beyond 32 bits."""
        number = self.number("rows", f"{exam}/{place // BLOCK}") * BLOCK + place % BLOCK
        if number > MOST:
            raise BadKeys(f"more rows than the CDM's integer keys reach ({MOST}): extract into several databases")
        return number

    def write(self, path: Path) -> None:
        """All of them, as CSV."""
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(_HEADING)
            writer.writerow((_MADE_FOR, self.made_for, 0))
            writer.writerows((kind, key, number) for (kind, key), number in self._known.items())


def read_keys(path: Path, made_for: str = IDENTIFIED) -> Keys:
    """The keys of an earlier extract for the same. Raises :class:`BadKeys`.

    The names in keys of an identified extract can be made anew from identifiers by anyone. Among those of a
    de-identified one they would tell who it is, so keys made for anything else are refused.
    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file))
    except (OSError, UnicodeDecodeError):
        raise BadKeys(f"{path} cannot be read") from None
    if not rows or tuple(rows[0]) != _HEADING or any(len(row) != 3 or not row[2].isdigit() for row in rows[1:]):
        raise BadKeys(f"{path} is not the keys.csv of an extract: the columns kind, key and id")
    theirs = next((row[1] for row in rows[1:] if row[0] == _MADE_FOR), IDENTIFIED)
    if theirs != made_for:
        own, other = (_named(one) for one in (theirs, made_for))
        raise BadKeys(f"{path} is of {own}, and this is {other}: their numbers must not meet")
    kept = [(kind, key, int(number)) for kind, key, number in rows[1:] if kind != _MADE_FOR]
    if any(kind not in _KINDS for kind, _, _ in kept):
        raise BadKeys(f"{path} has other kinds of keys than {', '.join(_KINDS)}: it is of another version")
    return Keys(kept, made_for)


def _named(made_for: str) -> str:
    return "an identified extract" if made_for == IDENTIFIED else f"one de-identified under the key {made_for[:8]}"
