"""What an exam of its kind is expected to cover and does not hold: *not recorded*, never normal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from adapter.catalogue import Catalogue, Item, Sides
from adapter.derive.sexes import typical_sex
from adapter.exam import Exam, Finding, Side, Status


@dataclass(frozen=True, slots=True)
class NotRecorded:
    """An expected item that the record does not hold; ``side`` where only that side is missing."""

    region: str
    item: str
    label: str
    side: Side | None = None

    def __str__(self) -> str:
        return f"{self.label} ({self.side.value})" if self.side else self.label


def completeness(exam: Exam, catalogue: Catalogue) -> tuple[NotRecorded, ...]:
    """The items not recorded, in the order of the exam; each knows its region.

    An item not examined with its reason is recorded. Of an item examined on each side, a missing side is
    reported. Items of the other sex are not expected unless the genital type is atypical. A retracted exam
    and one of an unknown kind expect nothing.
    """
    if exam.details.kind not in catalogue.kinds or exam.details.status is Status.ENTERED_IN_ERROR:
        return ()
    held: dict[str, set[Side | None]] = {}
    for finding in exam.findings:
        held.setdefault(finding.item, set()).add(side_of(finding, catalogue))
    sex = typical_sex(exam.newborn, exam.findings)
    found: list[NotRecorded] = []
    for item in catalogue.expected(exam.details.kind):
        if item.sex is None or sex is None or item.sex == sex.value:
            sides = held.get(item.id)
            if sides is None or item.sides is Sides.EACH:
                found += _gaps(item, sides, catalogue)
    return tuple(found)


def side_of(finding: Finding, catalogue: Catalogue) -> Side | None:
    """The side of a finding: its own, else the one its site has by name."""
    if finding.site is None or finding.side is not None:
        return finding.side
    site = catalogue.sites.get(finding.site)
    return site.side if site else None


def _gaps(item: Item, held: set[Side | None] | None, catalogue: Catalogue) -> Iterator[NotRecorded]:
    region = catalogue.region_of[item.id]
    if not held:
        yield NotRecorded(region, item.id, item.label)
    else:
        for side in (Side.LEFT, Side.RIGHT):
            if side not in held:
                yield NotRecorded(region, item.id, item.label, side)
