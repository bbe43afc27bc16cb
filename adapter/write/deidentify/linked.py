"""An attack on two releases together: which newborns of an earlier one are found again in this, and what that undoes.

Two releases of the same newborns tell more than each: what one rounds, bands, moves or takes out may stand in the
other, and who is in one alone can be counted by difference. (Record linkage and differencing: Hundepool et al.,
Statistical Disclosure Control, 2012; NIST SP 800-188, on releases that follow each other; both from memory.)

Found again is who has the same pseudonym in both (the same key), or an exam whose answers, or whose numbers, or all
hours of life at which the newborn was examined, are no other newborn's in either release and whose sex, birth and
gestation do not contradict; or who alone fits, by these, among those who share all of it. What one release has
coarser than the other is made so in both; of dates that were moved only what lies within both distances can be the
same.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal, InvalidOperation
from hashlib import blake2b
from pathlib import Path

from pydantic import ValidationError

from adapter.write.deidentify.cells import Cells
from adapter.write.deidentify.coarse import nearest
from adapter.write.deidentify.policy import DeidentificationPolicy
from adapter.write.deidentify.quasi import SUPPRESSIBLE, weight_band
from adapter.write.tables.folder import NoTables, TextRow, rows

DIFFERENT = ("gestation", "multiple", "numbers", "hours", "birth")
"""What may stand in one release and not, or otherwise, in the other: keys of ``release.differs`` of the words."""
_ABOUT = ("sex", "birth_year", "gestation_weeks", "gestation_days", "birth_order", "born_of", "mother_id", "birth")
_FINDING = (
    *("exam_id", "newborn_id", "item", "side", "site", "answer", "number", "comparator", "in_words", "meaning"),
    "origin",
)
_PAIRS = 1_000_000
"""So many pairs of those who share everything are looked at; beyond it they are too many for any to be told apart."""


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
    found = []
    for path in earlier:
        theirs = _policy_of(path)
        here = _Release(folder, policy, policy, theirs)
        other = _Release(path, policy, theirs, policy)
        found.append((path.resolve().name, other, here.found_in(other)))
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


def _policy_of(folder: Path) -> DeidentificationPolicy:
    """The policy under which an earlier release was made, as it says itself."""
    try:
        content = json.loads((folder / "deidentification.json").read_text(encoding="utf-8"))
        return DeidentificationPolicy.model_validate(content["policy"])
    except (ValueError, KeyError, TypeError, ValidationError):
        raise NoTables(f"{folder / 'deidentification.json'} does not say its policy as this version does") from None


class _Release:
    """What a release tells of its newborns; of findings only a digest of each exam's is kept.

    ``policy``: that of the release which is made. ``own``: that under which this one was; ``other``: that of the one
    that it is held against, as coarse as which its numbers and hours are made too.
    """

    def __init__(
        self,
        folder: Path,
        policy: DeidentificationPolicy,
        own: DeidentificationPolicy,
        other: DeidentificationPolicy,
    ) -> None:
        self.quasi, self.own, self.other = policy.quasi_identifiers, own, other
        self.withheld = {item for one in (own, other) for name in one.suppress for item in SUPPRESSIBLE[name].items}
        self.moved = timedelta(days=own.shift_days if own.dates == "shift" else 0)
        self.about: dict[str, TextRow] = {}
        self.exams: dict[str, list[str]] = defaultdict(list)
        self.kinds: dict[str, set[str]] = defaultdict(set)
        self.hours: dict[str, str] = {}
        self.answers: dict[str, int] = defaultdict(int)
        self.numbers: dict[str, int] = defaultdict(int)
        self.coarse: dict[str, int] = defaultdict(int)
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
        if (coarse := self._coarse(row)) is not None:
            self.coarse[exam] += _digest(*where, coarse)
        if item in policy.sensitive and row["answer"] and row["meaning"] != "expected":
            self.told[newborn, item].add(row["answer"])
        if item == "birth_weight" and (row["number"] or row["in_words"]):
            self.weights[newborn].add(weight_band(Decimal(row["number"]) if row["number"] else None, row["in_words"]))

    def _coarse(self, row: TextRow) -> str | None:
        """A number as coarse as either release has it: of a band its lower end; None where either has none."""
        item, beside = row["item"], self.other
        if item in self.withheld:
            return None
        if item in self.own.band:
            low = row["in_words"].partition(" ")[0]
            same = beside.band.get(item, self.own.band[item]) == self.own.band[item]
            return _plain_or_none(low) if same else None
        if not row["number"] or (item in beside.band and row["comparator"]):
            return None
        number = Decimal(row["number"])
        if (width := beside.band.get(item)) is not None:
            number = number // width * width
        elif (step := beside.round.get(item, Decimal(0))) > self.own.round.get(item, Decimal(0)):
            number = nearest(number, step)
        return _plain(str(number))

    def _coarse_hours(self, exam: str) -> str:
        hours, step = Decimal(self.hours[exam] or 0), self.other.hours
        if step is None or (self.own.hours is not None and self.own.hours >= step):
            return self.hours[exam]
        return _plain(str(hours // step * step))

    def _signatures(self) -> Iterator[tuple[Mapping[str, Hashable], bool]]:
        """By exam, what of it another release may have too, and whether it is all of that."""
        of_exam = {exam: newborn for newborn, exams in self.exams.items() for exam in exams}
        hours = {exam: self._coarse_hours(exam) for exam in of_exam}
        about = self.about
        yield (
            {
                exam: (self.answers.get(exam), self.coarse.get(exam), hours[exam], about[newborn]["sex"])
                for exam, newborn in of_exam.items()
            },
            True,
        )
        yield self.answers, False
        yield self.coarse, False
        together: dict[str, Hashable] = {}
        for exams in self.exams.values():
            placed = sorted(exams, key=lambda exam: (Decimal(hours[exam] or 0), exam))
            all_hours = tuple(hours[exam] for exam in placed)
            together |= {exam: (all_hours, place) for place, exam in enumerate(placed)}
        yield together, False

    def cell(self, newborn: str) -> tuple[str, ...]:
        """The policy's quasi-identifiers, as this release tells them."""
        more = {"exam_kind": self.kinds[newborn], "birth_weight_band": self.weights[newborn]}
        return tuple(";".join(sorted(more[n])) if n in more else self.about[newborn][n] for n in self.quasi)

    def found_in(self, other: _Release) -> _FoundAgain:
        """Which newborns of this release are which of the other."""
        again = _FoundAgain({name: name for name in self.about if name in other.about})
        again.exams |= {name: name for newborn in again.pairs for name in self.exams[newborn] if name in other.hours}
        again.by_pseudonym = len(again.pairs)
        again.taken.update(again.pairs.values())
        for (mine, whole), (theirs, _) in zip(self._signatures(), other._signatures(), strict=True):
            at_home, there = _by_signature(mine, self), _by_signature(theirs, other)
            for signature in at_home.keys() & there.keys():
                self._pair(at_home[signature], there[signature], other, again, whole=whole)
        return again

    def _pair(
        self, mine: dict[str, str], theirs: dict[str, str], other: _Release, again: _FoundAgain, *, whole: bool
    ) -> None:
        """Of those who share a signature (newborn to exam) who fits one alone, and is the only one to fit."""
        many = len(mine) * len(theirs)
        if many > (_PAIRS if whole else 1):
            return
        fits: dict[str, list[str]] = {match: [] for match in theirs}
        of: dict[str, list[str]] = {}
        for newborn in mine:
            known = again.pairs.get(newborn)
            free = [match for match in theirs if match not in again.taken] if known is None else []
            of[newborn] = [match for match in free if self._may_be(newborn, other, match)]
            if known in theirs:
                of[newborn] = [known]
            for match in of[newborn]:
                fits[match].append(newborn)
        for newborn, found in of.items():
            if len(found) == 1 and len(fits[found[0]]) == 1:
                again.pairs[newborn] = found[0]
                again.taken.add(found[0])
                again.exams[mine[newborn]] = theirs[found[0]]

    def _may_be(self, newborn: str, other: _Release, match: str) -> bool:
        mine, theirs = self.about[newborn], other.about[match]
        same = ("sex", "gestation_weeks")
        if any(mine[name] != theirs[name] and "" not in (mine[name], theirs[name]) for name in same):
            return False
        (first, last), (their_first, their_last) = self._born(mine), other._born(theirs)
        return first <= their_last and their_first <= last

    def _born(self, about: TextRow) -> tuple[str, str]:
        """Between which moments a newborn of the release may be born, as texts that can be compared."""
        if not about["birth"]:
            year = about["birth_year"]
            return (f"{year}-", f"{year}~") if year else ("", "~")
        birth = datetime.fromisoformat(about["birth"])
        return (birth - self.moved).isoformat(), (birth + self.moved).isoformat()


@dataclass(slots=True)
class _FoundAgain:
    """Newborns of this release and of the other, and their exams that are the same."""

    pairs: dict[str, str]
    exams: dict[str, str] = field(default_factory=dict)
    by_pseudonym: int = 0
    taken: set[str] = field(default_factory=set)
    """Those of the other release who are in a pair."""

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


def _by_signature(signatures: Mapping[str, Hashable], release: _Release) -> dict[Hashable, dict[str, str]]:
    """Who has each signature: newborn to exam."""
    found: dict[Hashable, dict[str, str]] = defaultdict(dict)
    for newborn, exams in release.exams.items():
        for exam in exams:
            if signatures.get(exam) is not None:
                found[signatures[exam]].setdefault(newborn, exam)
    return found


def _digest(*words: str) -> int:
    """Added up over the findings of an exam, in whatever order they stand."""
    return int.from_bytes(blake2b("\0".join(words).encode(), digest_size=16).digest(), "big")


def _plain(number: str) -> str:
    """The digits of a number as every form of the tables has it: none behind the point that say nothing."""
    return f"{Decimal(number).normalize():f}" if number else ""


def _plain_or_none(number: str) -> str | None:
    try:
        return _plain(number) or None
    except InvalidOperation:
        return None
