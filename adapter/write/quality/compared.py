"""Two extracts of different years: what is missing more or less often, and what the catalogue changed meanwhile.

A share is told where it changed by at least ``points`` and by more than ``errors`` standard errors of the difference
of two proportions. Why: where the item itself changed between the catalogues of both extracts, in what; else it is
for people to say.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from math import sqrt
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.fhir.json import loads
from adapter.write.quality.cells import MEASURES, Cell, cells
from adapter.write.quality.checks import BadChecks, Comparison, QualityChecks
from adapter.write.quality.look import Findings, look
from adapter.write.tables.folder import NoTables


@dataclass(frozen=True, slots=True)
class Change:
    """An item's share then and now, where both may be shown; ``why``: what the catalogue changed of it, in words."""

    item: str
    measure: str
    then: float | None
    now: float | None
    told: bool
    why: str


@dataclass(frozen=True, slots=True)
class Edition:
    """What the dictionary of an extract says: the version of its catalogue, and of each item its columns' type, unit,
    codes and allowed values."""

    version: str
    items: dict[str, dict[str, dict[str, str]]]


_FACTS = ("type", "unit", "codes", "allowed")


def edition(folder: Path) -> Edition:
    """Of the extract in a folder. Raises ``NoTables``."""
    try:
        version = str(loads((folder / "datapackage.json").read_bytes())["version"])
        with (folder / "dictionary.csv").open(encoding="utf-8", newline="") as file:
            items: dict[str, dict[str, dict[str, str]]] = {}
            for row in csv.DictReader(file):
                if row["table"] == "exams" and row["item"] and not row["column"].endswith("_status"):
                    items.setdefault(row["item"], {})[row["column"]] = {fact: row[fact] for fact in _FACTS}
    except (OSError, ValueError, KeyError):
        raise NoTables(f"{folder} has no datapackage.json and dictionary.csv as the extract wrote them") from None
    return Edition(version, items)


def changed(then: Edition, now: Edition) -> dict[str, str]:
    """By item, in words, what differs between two editions."""
    found = {}
    for item in dict.fromkeys([*now.items, *then.items]):
        before, after = then.items.get(item), now.items.get(item)
        if before is None or after is None:
            found[item] = "not in the earlier catalogue" if before is None else "not in this catalogue any more"
        elif words := "; ".join(_differences(before, after)):
            found[item] = words
    return found


def _differences(before: dict[str, dict[str, str]], after: dict[str, dict[str, str]]) -> Iterator[str]:
    if gone := sorted(before.keys() - after.keys()):
        yield f"no column {', '.join(gone)} any more"
    if new := sorted(after.keys() - before.keys()):
        yield f"new column {', '.join(new)}"
    said = set()
    for column in sorted(before.keys() & after.keys()):
        for fact in _FACTS:
            one, other = before[column][fact], after[column][fact]
            words = _answers(one, other) if fact == "allowed" else f"{fact} {one or 'none'}, now {other or 'none'}"
            if one != other and words not in said:
                said.add(words)
                yield words


def _answers(one: str, other: str) -> str:
    """Which allowed values came and went; their labels may have changed alone."""
    before, after = ({part.partition(" = ")[0] for part in text.split("; ") if part} for text in (one, other))
    parts = [f"answers new: {', '.join(sorted(after - before))}" if after - before else ""]
    parts.append(f"answers gone: {', '.join(sorted(before - after))}" if before - after else "")
    return ", ".join(filter(None, parts)) or "labels of answers"


def changes(then: list[Cell], now: list[Cell], why: dict[str, str], limits: Comparison) -> list[Change]:
    """Of every item with a share, the measures that changed enough to be told, and all of items that changed."""
    shares = [{(c.item, c.measure): c for c in found if _of_item(c)} for found in (then, now)]
    told_of = []
    for item in dict.fromkeys([*(item for item, _ in shares[1]), *(item for item, _ in shares[0]), *why]):
        for measure in MEASURES:
            one, other = shares[0].get((item, measure)), shares[1].get((item, measure))
            told = one is not None and other is not None and _apart(one, other, limits)
            if told or item in why:
                before, after = (None if cell is None else cell.share for cell in (one, other))
                told_of.append(Change(item, measure, before, after, told, why.get(item, "")))
    return told_of


def _of_item(cell: Cell) -> bool:
    return cell.check == "completeness" and cell.group == "all" and bool(cell.item)


def _apart(one: Cell, other: Cell, limits: Comparison) -> bool:
    if one.count is None or other.count is None or not one.of or not other.of:
        return False
    before, after = one.count / one.of, other.count / other.of
    pooled = (one.count + other.count) / (one.of + other.of)
    error = sqrt(pooled * (1 - pooled) * (1 / one.of + 1 / other.of))
    return abs(after - before) * 100 >= limits.points and abs(after - before) > float(limits.errors) * error


@dataclass(frozen=True, slots=True)
class Against:
    """An earlier extract: the version of its catalogue, that of this extract's, and what changed."""

    then: str
    now: str
    changes: tuple[Change, ...]


def compare(earlier: Path, folder: Path, found: Findings, checks: QualityChecks, catalogue: Catalogue) -> Against:
    """An extract, which was looked at already, against an earlier one. Raises ``BadChecks``, ``NoTables``."""
    if checks.comparison is None:
        raise BadChecks("the checks have no comparison: its points and errors say what is told")
    then, now = edition(earlier), edition(folder)
    before = list(cells(look(earlier, checks, catalogue), checks))
    told = changes(before, list(cells(found, checks)), changed(then, now), checks.comparison)
    return Against(then.version, now.version, tuple(told))
