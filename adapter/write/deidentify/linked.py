"""An attack on two releases together: which newborns of an earlier one are found again in this, and what that undoes.

Two releases of the same newborns tell more than each: what one rounds, bands, moves or takes out may stand in the
other, and who is in one alone can be counted by difference. (Record linkage and differencing: Hundepool et al.,
Statistical Disclosure Control, 2012; NIST SP 800-188, on releases that follow each other; both from memory.)

Found again is who has the same pseudonym in both (the same key), or an exam whose answers, or whose numbers, are no
other exam's in either release and whose sex, year and gestation do not contradict.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from hashlib import blake2b
from pathlib import Path

from adapter.write.deidentify.cells import Cells
from adapter.write.deidentify.policy import DeidentificationPolicy
from adapter.write.deidentify.quasi import weight_band
from adapter.write.tables.folder import TextRow, rows

DIFFERENT = ("gestation", "multiple", "numbers", "hours", "birth")
"""What may stand in one release and not, or otherwise, in the other: keys of ``release.differs`` of the words."""
_ABOUT = ("sex", "birth_year", "gestation_weeks", "gestation_days", "birth_order", "born_of", "mother_id", "birth")
_FINDING = ("exam_id", "newborn_id", "item", "side", "site", "answer", "number", "in_words", "meaning", "origin")


@dataclass(frozen=True, slots=True)
class Linked:
    """This release beside the ``earlier`` one in a folder of that name: of so many ``newborns`` of this, how many
    are found again ``by_pseudonym`` and ``by_content``; of how many of them each of :data:`DIFFERENT` ``differs``.
    """

    earlier: str
    newborns: int
    by_pseudonym: int
    by_content: int
    differs: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Together:
    """This release beside all that were named. ``exams``: those of newborns of whom k and l do not hold over the
    combinations of all releases together, where those that are not found again are a group of their own; ``few``:
    how many newborns that are."""

    releases: tuple[Linked, ...] = ()
    exams: frozenset[str] = frozenset()
    few: int = 0


def together(folder: Path, earlier: Sequence[Path], policy: DeidentificationPolicy) -> Together:
    """The attack on an extract and on earlier ones of the same newborns. Raises ``NoTables``."""
    if not earlier:
        return Together()
    here = _Release(folder, policy)
    found = [
        (path.resolve().name, other, here.found_in(other)) for path in earlier for other in [_Release(path, policy)]
    ]
    names = [name for _ in range(len(earlier) + 1) for name in policy.quasi_identifiers]
    cells = Cells(names, policy.k, policy.l, policy.sensitive)
    for newborn in here.about:
        cell = [*here.cell(newborn)]
        for _, other, again in found:
            cell += other.cell(again.pairs[newborn]) if newborn in again.pairs else ("new",) * len(here.quasi)
        cells.see(newborn, cell, [tuple(sorted(here.told[newborn, item])) for item in policy.sensitive])
    rare = frozenset(cells.rare_newborns())
    exams = frozenset(exam for newborn in rare for exam in here.exams[newborn])
    return Together(tuple(again.counted(name, here, other) for name, other, again in found), exams, len(rare))


class _Release:
    """What a release tells of its newborns; of findings only a digest of each exam's is kept."""

    def __init__(self, folder: Path, policy: DeidentificationPolicy) -> None:
        self.quasi = policy.quasi_identifiers
        self.about: dict[str, TextRow] = {}
        self.exams: dict[str, list[str]] = defaultdict(list)
        self.kinds: dict[str, set[str]] = defaultdict(set)
        self.hours: dict[str, str] = {}
        self.answers: dict[str, int] = defaultdict(int)
        self.numbers: dict[str, int] = defaultdict(int)
        self.weights: dict[str, set[str]] = defaultdict(set)
        self.told: dict[tuple[str, str], set[str]] = defaultdict(set)
        for row in rows(folder, "newborns", ("newborn_id", *_ABOUT)):
            self.about[row["newborn_id"]] = row
        for row in rows(folder, "exams", ("exam_id", "newborn_id", "age_hours", "kind")):
            self.exams[row["newborn_id"]].append(row["exam_id"])
            self.kinds[row["newborn_id"]].add(row["kind"])
            self.hours[row["exam_id"]] = _plain(row["age_hours"])
        for row in rows(folder, "findings", _FINDING):
            if row["origin"] == "captured":
                self._see(row, policy)

    def _see(self, row: TextRow, policy: DeidentificationPolicy) -> None:
        newborn, exam, item = row["newborn_id"], row["exam_id"], row["item"]
        where = (item, row["side"], row["site"])
        if row["answer"]:
            self.answers[exam] += _digest(*where, row["answer"])
        if row["number"]:
            self.numbers[exam] += _digest(*where, _plain(row["number"]))
        if item in policy.sensitive and row["answer"] and row["meaning"] != "expected":
            self.told[newborn, item].add(row["answer"])
        if item == "birth_weight" and (row["number"] or row["in_words"]):
            self.weights[newborn].add(weight_band(Decimal(row["number"]) if row["number"] else None, row["in_words"]))

    def cell(self, newborn: str) -> tuple[str, ...]:
        """The policy's quasi-identifiers, as this release tells them."""
        more = {"exam_kind": self.kinds[newborn], "birth_weight_band": self.weights[newborn]}
        return tuple(";".join(sorted(more[n])) if n in more else self.about[newborn][n] for n in self.quasi)

    def found_in(self, other: _Release) -> _FoundAgain:
        """Which newborns of this release are which of the other."""
        again = _FoundAgain({name: name for name in self.about if name in other.about})
        again.exams |= {name: name for newborn in again.pairs for name in self.exams[newborn] if name in other.hours}
        again.by_pseudonym = len(again.pairs)
        taken = set(again.pairs.values())
        for mine, theirs in ((self.answers, other.answers), (self.numbers, other.numbers)):
            at_home, there = _alone(mine, self), _alone(theirs, other)
            for signature in at_home.keys() & there.keys():
                (newborn, exam), (match, their_exam) = at_home[signature], there[signature]
                if newborn in again.pairs and again.pairs[newborn] != match:
                    continue
                if newborn not in again.pairs and (match in taken or not self._may_be(newborn, other, match)):
                    continue
                again.pairs[newborn] = match
                again.exams[exam] = their_exam
                taken.add(match)
        return again

    def _may_be(self, newborn: str, other: _Release, match: str) -> bool:
        mine, theirs = self.about[newborn], other.about[match]
        same = ("sex", "birth_year", "gestation_weeks")
        return all(mine[name] == theirs[name] or "" in (mine[name], theirs[name]) for name in same)


@dataclass(slots=True)
class _FoundAgain:
    """Newborns of this release and of the other, and their exams that are the same."""

    pairs: dict[str, str]
    exams: dict[str, str] = field(default_factory=dict)
    by_pseudonym: int = 0

    def counted(self, name: str, here: _Release, there: _Release) -> Linked:
        """What can be told of it in counts."""
        owner = {exam: newborn for newborn, exams in here.exams.items() for exam in exams}
        of: dict[str, set[str]] = {one: set() for one in DIFFERENT}
        for newborn, match in self.pairs.items():
            mine, theirs = here.about[newborn], there.about[match]
            told = {
                "gestation": ("gestation_weeks", "gestation_days"),
                "multiple": ("birth_order", "born_of"),
                "birth": ("birth",),
            }
            for what, columns in told.items():
                if any(mine[column] != theirs[column] for column in columns):
                    of[what].add(newborn)
            if bool(mine["mother_id"]) != bool(theirs["mother_id"]):
                of["multiple"].add(newborn)
        for exam, match in self.exams.items():
            if here.numbers.get(exam) != there.numbers.get(match):
                of["numbers"].add(owner[exam])
            if here.hours[exam] != there.hours[match]:
                of["hours"].add(owner[exam])
        differs = {what: len(found) for what, found in of.items()}
        return Linked(name, len(here.about), self.by_pseudonym, len(self.pairs) - self.by_pseudonym, differs)


def _alone(signatures: Mapping[str, int], release: _Release) -> dict[Hashable, tuple[str, str]]:
    """Newborn and exam of each signature that no other newborn has."""
    found: dict[Hashable, tuple[str, str]] = {}
    shared: set[Hashable] = set()
    for newborn, exams in release.exams.items():
        for exam in exams:
            signature = signatures.get(exam)
            if signature is None:
                continue
            if found.setdefault(signature, (newborn, exam))[0] != newborn:
                shared.add(signature)
    return {signature: one for signature, one in found.items() if signature not in shared}


def _digest(*words: str) -> int:
    """Added up over the findings of an exam, in whatever order they stand."""
    return int.from_bytes(blake2b("\0".join(words).encode(), digest_size=16).digest(), "big")


def _plain(number: str) -> str:
    """The digits of a number as every form of the tables has it: none behind the point that say nothing."""
    return f"{Decimal(number).normalize():f}" if number else ""
