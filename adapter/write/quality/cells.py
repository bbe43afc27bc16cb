"""The counts of the report as they may be shown."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from adapter.write.quality.checks import QualityChecks
from adapter.write.quality.hiding import hidden_together, may_show
from adapter.write.quality.look import GROUPS, Findings, Places

MEASURES = ("not_examined", "not_recorded")


@dataclass(frozen=True, slots=True)
class Cell:
    """A count: of which check, in which group, of which item (none: all of them), out of how many; ``count`` and
    ``of`` are None where they are not shown."""

    check: str
    measure: str
    group: str
    value: str
    item: str
    count: int | None
    of: int | None

    @property
    def share(self) -> float | None:
        """The count as a part of how many."""
        return None if self.count is None or not self.of else self.count / self.of


def cells(found: Findings, checks: QualityChecks) -> Iterator[Cell]:
    """Every count of the report, as it may be shown."""
    small = {group: hidden_groups(found, checks, group) for group in GROUPS}
    for group in GROUPS:
        for value in sorted(value for name, value in found.exams if name == group):
            count = found.exams[group, value]
            yield Cell("exams", "exams", group, value, "", None if value in small[group] else count, None)
    items = ["", *dict.fromkeys(item for _, _, item in found.places)]
    for item in items:
        for group in GROUPS:
            yield from _completeness(found, checks, group, item, small[group])
    counts: dict[tuple[str, str], int] = {}
    for doubt in found.doubts:
        of_item = doubt.item if (doubt.check, doubt.item) in found.looked_at else ""
        counts[doubt.check, of_item] = counts.get((doubt.check, of_item), 0) + 1
    for (check, item), of in found.looked_at.items():
        count = counts.get((check, item), 0)
        shown = count if may_show(count, of, checks.least) else None
        yield Cell(check, "to_look_at", "all", "", item, shown, of if of >= checks.least else None)


def hidden_groups(found: Findings, checks: QualityChecks, group: str) -> set[str]:
    """The values of a group whose exams are too few, or made by too few people; never one alone."""
    counts = {value: count for (name, value), count in found.exams.items() if name == group}
    small = {value for value, count in counts.items() if count < checks.least}
    if group == "role":
        small |= {role for role, people in found.people.items() if 0 < len(people) < checks.examiners}
    return small if group == "all" else hidden_together(counts, small, checks.least)


def _completeness(found: Findings, checks: QualityChecks, group: str, item: str, small: set[str]) -> Iterator[Cell]:
    values = [value for name, value in found.exams if name == group]
    for measure in MEASURES:
        counts, wholes = dict[str, int](), dict[str, int]()
        for value in values:
            chosen = _places(found, group, value, item)
            counts[value] = sum(getattr(places, measure) for places in chosen)
            wholes[value] = sum(places.expected for places in chosen)
        hidden = {v for v in values if v in small or not may_show(counts[v], wholes[v], checks.least)}
        if group != "all":
            hidden = hidden_together(counts, hidden, checks.least)
        for value in sorted(values):
            if wholes[value]:
                of = None if value in small or wholes[value] < checks.least else wholes[value]
                yield Cell(
                    "completeness", measure, group, value, item, None if value in hidden else counts[value], of
                )


def _places(found: Findings, group: str, value: str, item: str) -> list[Places]:
    """Of an item in a group, or of all items."""
    if item:
        one = found.places.get((group, value, item))
        return [] if one is None else [one]
    return [places for key, places in found.places.items() if key[:2] == (group, value)]
