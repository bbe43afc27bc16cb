"""Many exams de-identified under one policy: who was seen, the whole log, and the rare combinations."""

from __future__ import annotations

import csv
from collections import Counter
from hashlib import blake2b
from pathlib import Path

from adapter import __version__
from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import dumps
from adapter.problems import AdapterError
from adapter.write.deidentify.exam import deidentify, family
from adapter.write.deidentify.keys import Pseudonyms
from adapter.write.deidentify.policy import Policy
from adapter.write.deidentify.quasi import Cells
from adapter.write.tables.spreadsheet import cell


class OtherFamily(AdapterError, ValueError):
    """An exam would move its newborn's dates by another number of days than the exams before it.

    One gives a mother, the other none, or another. Moved differently, its intervals would be wrong.
    """


class Deidentifier:
    """De-identifies exam after exam; holds a few bytes of each newborn."""

    def __init__(self, policy: Policy, pseudonyms: Pseudonyms, catalogue: Catalogue) -> None:
        self._policy, self._pseudonyms, self._catalogue = policy, pseudonyms, catalogue
        self._families: dict[bytes, bytes] = {}
        self.log: Counter[str] = Counter()
        self.cells = Cells(policy.quasi_identifiers, policy.k)

    def __call__(self, exam: Exam) -> Exam:
        """The exam as the policy wants it. Raises :class:`OtherFamily`."""
        made, log = deidentify(exam, self._policy, self._pseudonyms, self._catalogue)
        newborn = _short(str(made.newborn.identifiers[0]))
        mine = _short(family(exam, self._policy, self._catalogue)) if self._policy.dates == "shift" else b""
        if newborn not in self._families:
            self._families[newborn] = mine
            self.cells.see(made, self._catalogue)
        elif self._families[newborn] != mine:
            self.log["exams refused: other mother than before"] += 1
            raise OtherFamily(
                "another mother than in an earlier exam of this newborn, or none: its dates cannot be moved"
            )
        self.log += log
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


def _short(text: str) -> bytes:
    return blake2b(text.encode(), digest_size=12).digest()
