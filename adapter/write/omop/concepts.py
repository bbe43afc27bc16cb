"""Which standard concept a code is: only what was verified (``mappings/omop/concepts.csv``), else 0."""

from __future__ import annotations

import csv
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from adapter.catalogue.files import mappings

NO_CONCEPT = 0
"""No matching concept (CDM 5.4: a source value that has no standard concept becomes 0)."""


@dataclass(frozen=True, slots=True)
class Concept:
    """A standard concept; its domain decides which table its rows go to."""

    id: int
    domain: str
    name: str


class Concepts:
    """Concepts by vocabulary and code."""

    def __init__(self, known: Iterable[tuple[str, str, Concept]]) -> None:
        self._known = {(vocabulary, code): concept for vocabulary, code, concept in known}

    def all(self) -> tuple[tuple[str, str, Concept], ...]:
        """Every one, with its vocabulary and code."""
        return tuple((*key, concept) for key, concept in self._known.items())

    def find(self, vocabulary: str, code: str) -> Concept | None:
        """The concept of a code, None where none was verified."""
        return self._known.get((vocabulary, code))

    def id(self, vocabulary: str, code: str) -> int:
        """The concept's id, or 0."""
        found = self.find(vocabulary, code)
        return found.id if found else NO_CONCEPT

    def first(self, vocabulary: str, codes: Iterable[str]) -> Concept | None:
        """The concept of the first code that has one."""
        return next((found for code in codes if (found := self.find(vocabulary, code))), None)


def load_concepts(site: Path | None = None) -> Concepts:
    """The shipped concepts; ``omop/concepts.csv`` in a site's folder adds to them and replaces."""
    folders: list[Any] = [mappings()] if site is None else [mappings(), site]
    files = [folder / "omop" / "concepts.csv" for folder in folders]
    texts = [file.read_text(encoding="utf-8") for file in files if file.is_file()]
    rows = [row for text in texts for row in csv.DictReader(text.splitlines())]
    return Concepts(
        (row["vocabulary"], row["code"], Concept(int(row["concept_id"]), row["domain"], row["name"])) for row in rows
    )
