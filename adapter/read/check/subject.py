"""What is checked: as much of an exam as could be read, each finding with its item and its place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from adapter.catalogue import Catalogue, Item
from adapter.derive.completeness import side_of
from adapter.exam import ExamDetails, Finding, Newborn, Side
from adapter.problems import Problem
from adapter.read.places import Place, PlaceOf


class Placed(NamedTuple):
    """A finding of a known item and where it stands.

    ``pointer`` leads to the finding, ``value_pointer`` to its value: an answer out of a list has one of its own.
    """

    finding: Finding
    item: Item
    pointer: str
    value_pointer: str
    place: PlaceOf

    def at(self, field: str = "") -> Place:
        """The place of a field (``side``, ``value/unit``), or of the whole finding."""
        if field == "value" or field.startswith("value/"):
            return self.place(self.value_pointer + field.removeprefix("value"))
        return self.place(f"{self.pointer}/{field}" if field else self.pointer)

    def error(self, field: str, rule: str, what: str, remedy: str) -> Problem:
        """An error at a field of this finding."""
        return self.at(field).error(rule, what, remedy, self.item.id)

    def warning(self, field: str, rule: str, what: str, remedy: str) -> Problem:
        """A warning at a field of this finding."""
        return self.at(field).warning(rule, what, remedy, self.item.id)


@dataclass(frozen=True, slots=True)
class Subject:
    """The parts of a record that could be read; what could not be read is None or missing."""

    details: ExamDetails | None
    newborn: Newborn | None
    findings: tuple[Placed, ...]
    catalogue: Catalogue
    place: PlaceOf

    def side(self, placed: Placed) -> Side | None:
        """The side of a finding, given or in the name of its site."""
        return side_of(placed.finding, self.catalogue)
