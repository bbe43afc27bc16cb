"""Attacks on a released folder, made with nothing but what stands in it: who is alone with what somebody may know.

A newborn who shares what is known with f newborns in all is found by chance once in f tries; the most at risk is
one of the smallest group (k-anonymity: Sweeney, 2002). That the attacker knows that the newborn is in the extract is
taken for granted, which is the worst case.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from pathlib import Path

from adapter.write.tables.folder import rows


@dataclass(frozen=True, slots=True)
class Attack:
    """What somebody may ``know`` (a key of ``release.know`` in the word list); of how many newborns it can be known;
    how many are ``alone`` with it, and how many are among ``few``, fewer than k (those alone are among them)."""

    know: str
    newborns: int
    alone: int
    few: int


def attacks(folder: Path, k: int) -> list[Attack]:
    """Every attack on the tables exams, findings and newborns of an extract. Raises ``NoTables``."""
    about: dict[str, tuple[str, str]] = {}
    families: dict[str, list[str]] = defaultdict(list)
    born_of: dict[str, str] = {}
    for row in rows(folder, "newborns", ("newborn_id", "sex", "gestation_weeks", "born_of", "mother_id")):
        name = row["newborn_id"]
        about[name] = (row["sex"], row["gestation_weeks"])
        if row["born_of"] not in ("", "1"):
            born_of[name] = row["born_of"]
        if row["mother_id"]:
            families[row["mother_id"]].append(name)
    times: dict[str, list[str]] = defaultdict(list)
    for row in rows(folder, "exams", ("newborn_id", "age_hours")):
        times[row["newborn_id"]].append(row["age_hours"])
    weights: dict[str, tuple[float, str]] = {}
    marks: dict[str, set[tuple[str, str]]] = defaultdict(set)
    for row in rows(folder, "findings", ("newborn_id", "item", "answer", "number", "meaning", "origin", "age_hours")):
        if row["item"] in ("birth_weight", "weight") and row["number"]:
            # banded or taken out, the birth weight is still told by the first weight that was taken
            hour = -1 if row["item"] == "birth_weight" else float(row["age_hours"])
            weights[row["newborn_id"]] = min(
                weights.get(row["newborn_id"], (hour, row["number"])), (hour, row["number"])
            )
        if row["meaning"] == "abnormal" and row["origin"] == "captured" and row["answer"]:
            marks[row["newborn_id"]].add((row["item"], row["answer"]))
    siblings = {
        name: tuple(sorted(about[one] for one in of)) for of in families.values() if len(of) > 1 for name in of
    }
    twins = {name: (about[name], count, siblings.get(name)) for name, count in born_of.items() if name in about}
    by_hours = {name: tuple(sorted(hours)) for name, hours in times.items()}
    by_weight = {name: (weight, *about[name]) for name, (_, weight) in weights.items() if name in about}
    return [
        _shared("sex_weeks", about, k),
        _shared("weight", by_weight, k),
        _shared("hours", by_hours, k),
        _rarest("one", marks, k),
        _shared("every", {n: frozenset(found) for n, found in marks.items()}, k),
        _shared("multiple", twins, k),
        _shared("mother", siblings, k),
    ]


def in_order_of_pseudonyms(folder: Path) -> bool:
    """Whether exams stand in the order of their pseudonyms, which tells nothing of when anybody was born."""
    names = [row["exam_id"] for row in rows(folder, "exams", ("exam_id",))]
    return names == sorted(names)


def _shared(know: str, known: Mapping[str, Hashable], k: int) -> Attack:
    sizes = Counter(known.values())
    alone = sum(size == 1 for size in sizes.values())
    return Attack(know, len(known), alone, sum(size for size in sizes.values() if size < k))


def _rarest(know: str, marks: Mapping[str, set[tuple[str, str]]], k: int) -> Attack:
    """By the rarest of what each newborn has."""
    sizes = Counter(mark for found in marks.values() for mark in found)
    rarest = [min(sizes[mark] for mark in found) for found in marks.values()]
    return Attack(know, len(marks), sum(size == 1 for size in rarest), sum(size < k for size in rarest))
