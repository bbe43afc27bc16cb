"""Many exams de-identified under one policy: who was seen, the whole log, and the rare combinations."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from adapter import __version__
from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import dumps
from adapter.files.dedupe import Dedupe
from adapter.problems import AdapterError
from adapter.write.deidentify.exam import deidentify, family
from adapter.write.deidentify.keys import Pseudonyms
from adapter.write.deidentify.policy import Policy
from adapter.write.deidentify.quasi import QUASI_IDENTIFIERS, Cells
from adapter.write.tables.spreadsheet import cell


class OtherFamily(AdapterError, ValueError):
    """An exam would move its newborn's dates by another number of days than the exams before it.

    One gives a mother, the other none, or another. Moved differently, its intervals would be wrong.
    """


@dataclass(frozen=True, slots=True)
class Deidentified:
    """What must be known of a de-identified exam among others; nothing of it leads back without the key.

    ``newborn``: the pseudonym. ``family``: that of whose dates move together, where dates move. ``cell``: the
    quasi-identifiers. ``log``: what was done, in counts.
    """

    newborn: str
    family: str
    cell: tuple[str, ...]
    log: dict[str, int]


class Deidentifier:
    """De-identifies exam after exam under one policy. What it must know of newborns is on the disk."""

    def __init__(self, policy: Policy, pseudonyms: Pseudonyms, catalogue: Catalogue) -> None:
        self._policy, self._pseudonyms, self._catalogue = policy, pseudonyms, catalogue
        self._families, self._newborns = Dedupe(), Dedupe()
        self.log: Counter[str] = Counter()
        self.cells = Cells(policy.quasi_identifiers, policy.k)

    @property
    def mark(self) -> str:
        """By which extracts under the same key are known; nothing leads back from it."""
        return self._pseudonyms.name("keys", "of extracts")

    def made(self, exam: Exam) -> tuple[Exam, Deidentified]:
        """The exam as the policy wants it, whatever the others are; see :meth:`admit`."""
        made, log = deidentify(exam, self._policy, self._pseudonyms, self._catalogue)
        moved = self._policy.dates == "shift"
        mine = self._pseudonyms.name("family", family(exam, self._policy, self._catalogue)) if moved else ""
        cell = tuple(QUASI_IDENTIFIERS[name](made, self._catalogue) for name in self._policy.quasi_identifiers)
        return made, Deidentified(str(made.newborn.identifiers[0]), mine, cell, dict(log))

    def admit(self, one: Deidentified) -> None:
        """Count an exam among the others. Raises :class:`OtherFamily`."""
        if self._families.first(one.newborn, one.family) != one.family:
            self.log["exams refused: other mother than before"] += 1
            raise OtherFamily(
                "another mother than in an earlier exam of this newborn, or none: its dates cannot be moved"
            )
        if self._newborns.new(one.newborn):
            self.cells.counts[one.cell] += 1
        self.log.update(one.log)

    def __call__(self, exam: Exam) -> Exam:
        """The exam as the policy wants it. Raises :class:`OtherFamily`."""
        made, one = self.made(exam)
        self.admit(one)
        return made

    def write(self, folder: Path) -> None:
        """``deidentification.json``, what was done in counts, and ``rare_combinations.csv``."""
        policy = self._policy.model_dump(mode="json")
        done = {name: count for name, count in sorted(self.log.items()) if count}
        k = {"quasi_identifiers": self._policy.quasi_identifiers, "k_wanted": self._policy.k}
        k |= {
            "k_reached": self.cells.smallest,
            "newborns": self.cells.counts.total(),
            "newborns_rare": self.cells.rare,
        }
        content = {
            "software": f"newborn-exam-adapter {__version__}",
            "policy": policy,
            "done": done,
            "k_anonymity": k,
        }
        (folder / "deidentification.json").write_bytes(dumps(content, pretty=True) + b"\n")
        with (folder / "rare_combinations.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow([*self._policy.quasi_identifiers, "newborns", "rare"])
            writer.writerows([cell(text) for text in row] for row in self.cells.rows())
