"""The ranges of a catalogue, from its compiled tables: which hold a number, and which apply to a finding."""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache

from adapter.catalogue import Catalogue, Item, Range
from adapter.derive.compiled import Row, compiled
from adapter.derive.machine import end, every, span
from adapter.exam import Exam, Finding


class Band:
    """A range with its questions as functions, so that only those are asked that it has."""

    __slots__ = ("_asked", "ends", "holds", "range")

    def __init__(self, band: Range, row: Row, catalogue: Catalogue) -> None:
        _, low, high, *_, asked = row
        self.range, self.holds, self._asked = band, span(low, high), every(asked, catalogue)
        self.ends: tuple[Decimal, ...] = tuple(end(one)[1] for one in (low, high) if one)

    def applies(self, finding: Finding, item: Item, exam: Exam) -> bool:
        """Whether all conditions hold; one that asks for what is not known does not hold."""
        return self._asked is None or self._asked(finding, item, exam, None, None)


@lru_cache(maxsize=16)
def bands(catalogue: Catalogue) -> dict[tuple[str, str | None], list[Band]]:
    """The ranges of each item, or of a component of it, in their order."""
    found: dict[tuple[str, str | None], list[Band]] = {}
    for item_id, rows in compiled(catalogue).ranges.items():
        for band, row in zip(catalogue.items[item_id].ranges, rows, strict=True):
            found.setdefault((item_id, band.component), []).append(Band(band, row, catalogue))
    return found
