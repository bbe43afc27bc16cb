"""Which readings stand in the wide table: one reading stands as a whole, or not at all.

A *reading* is what was found of an item at one moment and one place: one number, one set of numbers, one score, one
answer at its places, or all answers of an item that takes several. Of two readings that would stand in the same
columns the later one stands with all its columns, those that it leaves empty too. A reading without a side is of both
sides, so it takes the place of an earlier one of either side, and the other way round.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from adapter.catalogue import Item, ItemType, Sides
from adapter.derive import FindingView
from adapter.exam import Side, ValueKind
from adapter.write.tables.column import hours


@dataclass(frozen=True, slots=True)
class TableReading:
    """One reading: where it stands (``own``, the name of its columns; ``side`` where that tells columns apart), what
    it is made of, and its cells by column."""

    own: str
    side: Side | None
    found: tuple[FindingView, ...]
    cells: dict[str, Any]

    def yields(self, later: TableReading, name: str) -> bool:
        """Whether a later one takes its place; ``name`` is the place of both. At one moment a place without a side
        and one with a side were both looked at."""
        if self.own == later.own:
            return True
        of_both = name in (self.own, later.own) and bool(self.side or later.side)
        return of_both and self.found[0].made_at < later.found[0].made_at


def readings(name: str, item: Item, here: Iterable[FindingView]) -> list[TableReading]:
    """The readings of an item at the place ``name``, in the order of their moments.

    ``here`` is in that order too. Words alone make no reading.
    """
    valued = [one for one in here if one.finding.value is not None]
    if item.type in (ItemType.CHOICE, ItemType.CHOICES):
        return list(_answered(name, item, valued))
    return [_of_one(name, one) for one in valued]


def standing(name: str, found: list[TableReading]) -> tuple[list[TableReading], set[str]]:
    """The readings that stand, and every column in which another had something too."""
    stand: list[TableReading] = []
    touched: set[str] = set()
    for place, reading in enumerate(found):
        later = [other for other in found[place + 1 :] if reading.yields(other, name)]
        if not later:
            stand.append(reading)
            continue
        for one in (reading, *later):
            touched.update(column for column, value in one.cells.items() if value is not None)
    return stand, touched


def _of_one(name: str, one: FindingView) -> TableReading:
    own = f"{name}_{one.finding.site}" if one.finding.site else name
    return TableReading(own, None, (one,), dict(_cells(own, one)))


def _cells(own: str, one: FindingView) -> Iterator[tuple[str, Any]]:
    match one.kind:
        case ValueKind.QUANTITY:
            yield own, one.number
            yield f"{own}_comparator", one.comparator.value if one.comparator else None
        case ValueKind.QUANTITIES:
            yield from ((f"{own}_{part.id}", part.number) for part in one.parts)
        case ValueKind.SCORE:
            yield own, one.total
            yield from ((f"{own}_{part.id}", int(part.number)) for part in one.parts)
        case ValueKind.MOMENT if one.moment_hours is not None:
            yield f"{own}_hours", hours(one.moment_hours)
        case ValueKind.ANSWER:
            yield own, one.finding.answer


def _answered(name: str, item: Item, valued: list[FindingView]) -> Iterator[TableReading]:
    """Answers of one moment and side; of an item with one answer, each with the places that it has."""
    together: dict[tuple[Any, ...], list[FindingView]] = {}
    for one in valued:
        side = one.finding.side if item.sides in (Sides.OPTIONAL, Sides.EITHER) else None
        side = None if side is Side.BOTH else side
        answer = one.finding.answer if item.type is ItemType.CHOICE else None
        together.setdefault((one.made_at, side, answer), []).append(one)
    for (_, side, _), found in together.items():
        own = f"{name}_{side.value}" if side else name
        given = {one.finding.answer for one in found}
        cells: dict[str, Any] = {own: ";".join(answer.id for answer in item.answers if answer.id in given)}
        if item.sites:
            sites = [site for site in item.sites if any(one.finding.site == site for one in found)]
            cells[f"{own}_site"] = ";".join(sites) or None
        yield TableReading(own, side, tuple(found), cells)
