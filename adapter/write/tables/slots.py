"""How the wide table lays the catalogue out: which columns an item has.

| item | columns |
|---|---|
| every item | ``ITEM_status``: examined, in words, not examined and why, not recorded, not expected, computed |
| on each side | all of its columns twice, as ``ITEM_left`` and ``ITEM_right``, each with its own status |
| at a place that may have a side | value columns ``ITEM``, ``ITEM_left``, ``ITEM_right``; one status |
| one answer | ``ITEM``: the answer's id |
| several answers | ``ITEM``: the ids with ``;`` between, in the catalogue's order |
| an answer at a place | ``ITEM_site`` too: the places |
| number | ``ITEM`` in the item's unit, ``ITEM_comparator``; at named places one column a place, ``ITEM_PLACE`` |
| several numbers | ``ITEM_COMPONENT`` |
| score | ``ITEM``: the total; ``ITEM_SIGN``: the points of a sign |
| moment | ``ITEM_hours``: hours of life at it; ``ITEM`` where it has answers |
| free text | ``ITEM``: all of it, a line each; of rules and comparisons of sides the ids, ``;`` between |
| what is judged | ``ITEM_meaning``: the worst of the readings that stand |
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from adapter.catalogue import Catalogue, Item, ItemType, Sides
from adapter.exam import Comparator, Side
from adapter.write.tables.column import Column, Type
from adapter.write.tables.terms import WORST, answers, published, terms, words

_WHERE = {None: "", Side.LEFT: ", left", Side.RIGHT: ", right"}


@dataclass(frozen=True, slots=True)
class Slot:
    """One status: an item, or one side of an item that is examined on each side."""

    item: Item
    side: Side | None

    @property
    def name(self) -> str:
        """The beginning of its columns' names."""
        return self.item.id if self.side is None else f"{self.item.id}_{self.side.value}"


def places(item: Item) -> tuple[Slot, ...]:
    """The places of an item that have a status of their own."""
    if item.sides is Sides.EACH:
        return Slot(item, Side.LEFT), Slot(item, Side.RIGHT)
    return (Slot(item, None),)


def columns_of(item: Item, catalogue: Catalogue) -> Iterator[Column]:
    """The columns of one item in their order."""
    for place in places(item):
        status = "" if item.computed else f"{place.name}_status"
        label = f"{item.label}{_WHERE[place.side]}"
        for column in _values(place, label, catalogue):
            yield replace(column, status=status, item=item.id)
        if item.answers or item.ranges:
            meaning = Column(f"{place.name}_meaning", Type.TEXT, f"{label}: what it says", allowed=WORST)
            yield replace(meaning, status=status, item=item.id)
        if status:
            yield Column(status, Type.TEXT, f"{label}: was it examined", allowed=statuses(catalogue), item=item.id)


def statuses(catalogue: Catalogue) -> tuple[tuple[str, str], ...]:
    """What may stand in a status column."""
    return (
        ("examined", "examined, and what was found stands in the value"),
        ("in_words", "examined, and answered in free text alone: see the findings table"),
        *((f"not_examined:{r.id}", f"not examined: {r.label}") for r in catalogue.reasons.values()),
        ("not_recorded", "this kind of exam expects it, and nothing is on record: never normal"),
        ("not_expected", "nothing is on record, and this kind of exam or this infant's sex does not expect it"),
        ("computed", "nobody recorded it, the software computed it"),
    )


def _values(place: Slot, label: str, catalogue: Catalogue) -> Iterator[Column]:
    item, name = place.item, place.name
    codes = published(item.codes, catalogue)
    match item.type:
        case ItemType.QUANTITY:
            for site in (None, *item.sites) if not item.site_required else item.sites:
                where = f", {catalogue.sites[site].inline}" if site else ""
                own = f"{name}_{site}" if site else name
                yield Column(own, Type.DECIMAL, f"{label}{where}", item.unit or "", codes)
                beyond = f"{label}{where}: the true value lies beyond"
                yield Column(f"{own}_comparator", Type.TEXT, beyond, allowed=words(Comparator))
        case ItemType.QUANTITIES:
            for site in item.sites or (None,):
                where = f", {catalogue.sites[site].inline}" if site else ""
                for part in item.components:
                    own = "_".join(p for p in (name, site, part.id) if p)
                    said = f"{label}{where}: {part.inline}"
                    yield Column(own, Type.DECIMAL, said, item.unit or "", published(part.codes, catalogue))
        case ItemType.SCORE:
            yield Column(name, Type.INTEGER, f"{label}: total", "{score}", codes)
            for sign in item.signs:
                said = f"{label}: {sign.inline}, points"
                yield Column(f"{name}_{sign.id}", Type.INTEGER, said, "{score}", published(sign.codes, catalogue))
        case ItemType.TIME:
            yield Column(f"{name}_hours", Type.DECIMAL, f"{label}: hours of life", "h", codes)
            if item.answers:
                yield Column(name, Type.TEXT, label, codes=codes, allowed=answers(item))
        case ItemType.TEXT:
            yield Column(name, Type.TEXT, label, codes=codes, several=item.computed)
        case _:
            several = item.type is ItemType.CHOICES
            sides = (None, Side.LEFT, Side.RIGHT) if item.sides in (Sides.OPTIONAL, Sides.EITHER) else (None,)
            for side in sides:
                own = f"{name}_{side.value}" if side else name
                said = f"{label}{_WHERE[side]}"
                yield Column(own, Type.TEXT, said, codes=codes, allowed=answers(item), several=several)
                if item.sites:
                    allowed = tuple(pair for pair in terms(catalogue.sites) if pair[0] in item.sites)
                    yield Column(f"{own}_site", Type.TEXT, f"{said}: places", allowed=allowed, several=True)
