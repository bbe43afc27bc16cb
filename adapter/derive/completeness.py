"""What an exam of its kind is expected to cover and does not hold: *not recorded*, never normal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

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

    def said(self, catalogue: Catalogue) -> str:
        """Label and side."""
        if self.side is None:
            return self.label
        return catalogue.words.say("beside", words=self.label, of=catalogue.sides[self.side.value].inline)


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
        fields = finding.__dict__  # a model's attributes are slow to reach one by one
        side = fields["side"] if fields["site"] is None else side_of(finding, catalogue)
        held.setdefault(fields["item"], set()).add(side)
    sex = typical_sex(exam.newborn, exam.findings)
    found: list[NotRecorded] = []
    for item_id, of_sex, each_side in _asked(catalogue, exam.details.kind):
        if of_sex is None or sex is None or of_sex == sex:
            sides = held.get(item_id)
            if sides is None or (each_side and not sides >= _BOTH):
                found += _gaps(catalogue.items[item_id], sides, catalogue)
    return tuple(found)


_BOTH = {Side.LEFT, Side.RIGHT}


@lru_cache(maxsize=64)
def _asked(catalogue: Catalogue, kind: str) -> list[tuple[str, str | None, bool]]:
    """The items that an exam of the kind should cover, of which sex, and whether on each side."""
    return [(item.id, item.sex, item.sides is Sides.EACH) for item in catalogue.expected(kind)]


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
