"""Many exams de-identified under one policy: who was seen, the whole log, and the rare combinations."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from adapter import SOFTWARE_VERSION
from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import dumps
from adapter.files.dedupe import Dedupe
from adapter.problems import AdapterError
from adapter.write.deidentify.cells import Answers, Cells
from adapter.write.deidentify.exam import deidentify, family
from adapter.write.deidentify.keys import Pseudonyms
from adapter.write.deidentify.linked import Together, together
from adapter.write.deidentify.page import Loss, write_page
from adapter.write.deidentify.policy import DeidentificationPolicy, check_items
from adapter.write.deidentify.quasi import QUASI_IDENTIFIERS, sensitive_answers
from adapter.write.tables.spreadsheet import cell


class OtherFamily(AdapterError, ValueError):
    """An exam would move its newborn's dates by another number of days than the exams before it.

    One gives a mother, the other none, or another. Moved differently, its intervals would be wrong.
    """


class TooRare(AdapterError, ValueError):
    """Too few newborns share a combination of quasi-identifiers, and the policy refuses to release any then."""


@dataclass(frozen=True, slots=True)
class Deidentified:
    """What must be known of a de-identified exam among others; nothing of it leads back without the key.

    ``rank``: the exam's pseudonym, a keyed digest, in the order of which all is released. ``newborn``: its pseudonym.
    ``family``: that of whose dates move together, where dates move. ``cell``: the quasi-identifiers. ``told``: the
    answers to each sensitive item. ``log``: what was done, in counts.
    """

    rank: str
    newborn: str
    family: str
    cell: tuple[str, ...]
    log: dict[str, int]
    told: tuple[Answers, ...] = ()


class Deidentifier:
    """De-identifies exam after exam under one policy. What it must know of newborns is on the disk.

    ``without``: by pseudonym, the quasi-identifiers that are taken out of a newborn's exams. Raises ``BadPolicy``.
    """

    def __init__(
        self,
        policy: DeidentificationPolicy,
        pseudonyms: Pseudonyms,
        catalogue: Catalogue,
        without: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        check_items(policy, catalogue)
        self._policy, self._pseudonyms, self._catalogue = policy, pseudonyms, catalogue
        self._without = dict(without or {})
        self._families, self._left_out = Dedupe(), set[str]()
        self._together = Together()
        self.exams_left_out = 0
        self.log: Counter[str] = Counter()
        self.cells = Cells(policy.quasi_identifiers, policy.k, policy.l, policy.sensitive)

    @property
    def mark(self) -> str:
        """By which extracts under the same key are known; nothing leads back from it."""
        return self._pseudonyms.name("keys", "of extracts")

    def made(self, exam: Exam) -> tuple[Exam, Deidentified]:
        """The exam as the policy wants it, whatever the others are; see :meth:`admit`."""
        policy, catalogue = self._policy, self._catalogue
        newborn = self._pseudonyms.name("newborn", str(catalogue.resolve(exam.newborn.identifiers[0])))
        without = self._without.get(newborn, ())
        made, log = deidentify(exam, policy, self._pseudonyms, catalogue, without)
        moved = policy.dates == "shift"
        mine = self._pseudonyms.name("family", family(exam, policy, catalogue)) if moved else ""
        cell = tuple(QUASI_IDENTIFIERS[name](made, catalogue) for name in policy.quasi_identifiers)
        told = tuple(sensitive_answers(made, item, catalogue) for item in policy.sensitive)
        return made, Deidentified(made.details.id, newborn, mine, cell, dict(log), told)

    def admit(self, one: Deidentified) -> None:
        """Count an exam among the others. Raises :class:`OtherFamily`."""
        if self._families.first(one.newborn, one.family) != one.family:
            self.log["exams refused: other mother than before"] += 1
            raise OtherFamily(
                "another mother than in an earlier exam of this newborn, or none: its dates cannot be moved"
            )
        self.cells.see(one.newborn, one.cell, one.told)

    def close_admission(self) -> None:
        """All exams are admitted: newborns with a rare combination are left out, where the policy says so.

        Raises :class:`TooRare` where it says that then nothing may be released.
        """
        rare = list(self.cells.rare_newborns())
        if rare and self._policy.rare == "refuse":
            raise TooRare(f"{len(rare)} newborns are rare ({self._rarity}): nothing is written")
        if self._policy.rare == "leave-out":
            self._left_out.update(rare)
            for newborn in rare:
                self.cells.take_out(newborn)

    def stays(self, one: Deidentified) -> bool:
        """Whether an exam that was admitted is in the extract; what was done to it is counted if so."""
        if one.newborn in self._left_out:
            self.exams_left_out += 1
            return False
        self.log.update(one.log)
        return True

    def beside(self, folder: Path, earlier: Sequence[Path]) -> frozenset[str]:
        """The ids of the exams that may not stay, since earlier releases make their newborns rare. Attacks the tables
        in ``folder``; what is found stands on the page. Raises :class:`TooRare`, ``NoTables``."""
        self._together = together(folder, earlier, self._policy)
        if self._together.few and self._policy.rare == "refuse":
            raise TooRare(f"{self._together.few} newborns are rare beside an earlier release: nothing is written")
        return self._together.exams if self._policy.rare == "leave-out" else frozenset()

    def take_back(self, one: Deidentified) -> None:
        """An exam that :meth:`stays` let in is left out after all."""
        self.log.subtract(one.log)
        self.exams_left_out += 1
        if one.newborn not in self._left_out:
            self._left_out.add(one.newborn)
            self.cells.take_out(one.newborn)

    def _beside(self) -> dict[str, object]:
        found = self._together
        return {"newborns_rare": found.few, "releases": [asdict(one) for one in found.releases]}

    @property
    def suppresses(self) -> bool:
        """Whether quasi-identifiers are to be taken out of rare newborns."""
        return bool(self._policy.suppress)

    def taken_out(self) -> dict[str, tuple[str, ...]]:
        """Which quasi-identifiers to take out of whom, by pseudonym, of all whom :meth:`admit` has seen."""
        return self.cells.suppress(self._policy.suppress)

    @property
    def rare_said(self) -> str:
        """Why an exam is left out."""
        return f"left out, {self._rarity}"

    @property
    def _rarity(self) -> str:
        policy = self._policy
        few = f"fewer than {policy.k} newborns share {', '.join(policy.quasi_identifiers)}"
        return f"{few}, or they differ too little in {', '.join(policy.sensitive)}" if policy.sensitive else few

    @property
    def dated(self) -> bool:
        """Whether dates may be written."""
        return self._policy.dates != "year"

    def write(self, folder: Path, *, tables: bool = False) -> None:
        """``deidentification.json``, what was done in counts, and ``rare_combinations.csv``; ``release.html`` as well
        where the tables newborns, exams and findings are there."""
        if tables:
            loss = Loss(len(self._left_out), self.exams_left_out, self.log)
            write_page(folder, self._policy, self.cells, loss, self._catalogue.words, self._together)
        policy = self._policy.model_dump(mode="json")
        done = {name: count for name, count in sorted(self.log.items()) if count}
        k: dict[str, object] = {"quasi_identifiers": self._policy.quasi_identifiers, "k_wanted": self._policy.k}
        k |= {
            "newborns_left_out": len(self._left_out),
            "k_reached": self.cells.smallest,
            "newborns": self.cells.counts.total(),
            "newborns_rare": self.cells.rare,
        }
        l = {"sensitive": self._policy.sensitive, "l_wanted": self._policy.l, "l_reached": self.cells.least_diverse}  # noqa: E741
        content = {
            "software": SOFTWARE_VERSION,
            "policy": policy,
            "done": done,
            "k_anonymity": k,
            **({"l_diversity": l} if self._policy.sensitive else {}),
            **({"beside_earlier_releases": self._beside()} if self._together.releases else {}),
        }
        (folder / "deidentification.json").write_bytes(dumps(content, pretty=True) + b"\n")
        with (folder / "rare_combinations.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow([*self._policy.quasi_identifiers, "newborns", "rare"])
            writer.writerows([cell(text) for text in row] for row in self.cells.rows())
