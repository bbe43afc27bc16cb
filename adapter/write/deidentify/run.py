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
from adapter.write.deidentify.page import write_page
from adapter.write.deidentify.policy import DeidentificationPolicy
from adapter.write.deidentify.quasi import QUASI_IDENTIFIERS, Cells
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
    ``family``: that of whose dates move together, where dates move. ``cell``: the quasi-identifiers. ``log``: what
    was done, in counts.
    """

    rank: str
    newborn: str
    family: str
    cell: tuple[str, ...]
    log: dict[str, int]


class Deidentifier:
    """De-identifies exam after exam under one policy. What it must know of newborns is on the disk."""

    def __init__(self, policy: DeidentificationPolicy, pseudonyms: Pseudonyms, catalogue: Catalogue) -> None:
        self._policy, self._pseudonyms, self._catalogue = policy, pseudonyms, catalogue
        self._families, self._left_out = Dedupe(), set[str]()
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
        return made, Deidentified(made.details.id, str(made.newborn.identifiers[0]), mine, cell, dict(log))

    def admit(self, one: Deidentified) -> None:
        """Count an exam among the others. Raises :class:`OtherFamily`."""
        if self._families.first(one.newborn, one.family) != one.family:
            self.log["exams refused: other mother than before"] += 1
            raise OtherFamily(
                "another mother than in an earlier exam of this newborn, or none: its dates cannot be moved"
            )
        self.cells.see(one.newborn, one.rank, one.cell)

    def close_admission(self) -> None:
        """All exams are admitted: newborns with a rare combination are left out, where the policy says so.

        Raises :class:`TooRare` where it says that then nothing may be released.
        """
        rare = list(self.cells.rare_newborns())
        if rare and self._policy.rare == "refuse":
            raise TooRare(
                f"{len(rare)} newborns share {self._quasi} with fewer than {self._policy.k}: nothing is written"
            )
        if self._policy.rare == "leave-out":
            self._left_out.update(rare)
            for newborn in rare:
                self.cells.take_out(newborn)

    def stays(self, one: Deidentified) -> bool:
        """Whether an exam that was admitted is in the extract; what was done to it is counted if so."""
        if one.newborn in self._left_out:
            return False
        self.log.update(one.log)
        return True

    @property
    def rare_said(self) -> str:
        """Why an exam is left out."""
        return f"left out, fewer than {self._policy.k} newborns share {self._quasi}"

    @property
    def _quasi(self) -> str:
        return ", ".join(self._policy.quasi_identifiers)

    @property
    def dated(self) -> bool:
        """Whether dates may be written."""
        return self._policy.dates != "year"

    def write(self, folder: Path, *, tables: bool = False) -> None:
        """``deidentification.json``, what was done in counts, and ``rare_combinations.csv``; ``release.html`` as well
        where the tables newborns, exams and findings are there."""
        if tables:
            write_page(folder, self._policy, self.cells, len(self._left_out))
        policy = self._policy.model_dump(mode="json")
        done = {name: count for name, count in sorted(self.log.items()) if count}
        k = {"quasi_identifiers": self._policy.quasi_identifiers, "k_wanted": self._policy.k}
        k |= {
            "newborns_left_out": len(self._left_out),
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
