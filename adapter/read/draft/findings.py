"""The findings of a drafted plan: which columns hold which items, one column after the other or one row after the
other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from adapter.catalogue import Item, ItemType, Sides
from adapter.read.draft.cells import CellReader
from adapter.read.draft.forms import TwoSides, parts_of, two_sides
from adapter.read.draft.shape import Cells
from adapter.read.draft.tree import Open
from adapter.read.draft.words import Name, Target, folded
from adapter.read.wording import listed

NOTHING = Target()
_PRESSURE = (r"(\d+)\s*/\s*\d+.*", r"\d+\s*/\s*(\d+).*")
"""Systolic over diastolic in one cell (common practice)."""


@dataclass(slots=True)
class Column:
    """A column of the table: what its name was understood as, and what the draft made of it."""

    cells: Cells
    name: Name
    made: list[str] = field(default_factory=list)
    """What it is read as, in words."""
    open: list[tuple[str, Open]] = field(default_factory=list)
    """What is to be decided of it: the field or the cell, and the question."""

    target: Target = NOTHING
    """What it is, or most likely is."""


@dataclass(frozen=True, slots=True)
class FindingDraft:
    """Drafts the entries of ``findings``; each is told apart by the columns it was made of."""

    reader: CellReader

    def wide(self, columns: Iterable[Column]) -> Iterator[tuple[tuple[Column, ...], dict[str, Any]]]:
        """The entries of columns that each hold an item; columns of one measurement together."""
        groups: dict[tuple[str, str, str, str], list[Column]] = {}
        for column in columns:
            groups.setdefault(self._key(column), []).append(column)
        seen: dict[tuple[str, str, str], str] = {}
        for group in groups.values():
            for entry in self._entries(group):
                item = entry["item"]
                key = (str(item), str(entry.get("side", "")), str(entry.get("site", "")))
                if isinstance(item, str) and item != "?" and key in seen:
                    entry["item"] = Open(item, f"column {seen[key]!r} is read as this as well: both?")
                seen.setdefault(key, group[0].cells.name)
                yield tuple(group), entry

    def _key(self, column: Column) -> tuple[str, str, str, str]:
        """What columns have in common that are one finding: components, signs, pounds with ounces."""
        target, name = column.target, column.name
        if (target.part and name.sure) or _unit_of(column) in _PEOPLES:
            return target.item, name.side, name.site, "part" if target.part else "pounds"
        return target.item, name.side, name.site, column.cells.name

    def _entries(self, group: list[Column]) -> Iterator[dict[str, Any]]:
        first = group[0]
        item = self.reader.words.catalogue.items.get(first.target.item)
        if first.target.field == "note":
            yield {"item": Open("other_findings", "these words"), "text": {"column": first.cells.name}}
            return
        if item is None:
            return
        head = {"item": self._item(first, item)}
        if first.target.part:
            yield head | self._of_parts(item, group)
        elif len(group) == 2 and item.type is ItemType.QUANTITY:
            parts = [{"column": c.cells.name, "unit": _PEOPLES[_unit_of(c)]} for c in sorted(group, key=_unit_of)]
            yield head | {"parts": parts} | self._where(first.name, item)
        else:
            for column in group:
                yield from self.entries(
                    item, column.name, column.cells.distinct, column.cells.name, head, _unit_of(column)
                )

    def _item(self, column: Column, item: Item) -> str | Open:
        if column.name.sure:
            return item.id
        others = [str(target) for target in column.name.targets if target != column.target]
        return Open(item.id, f"or {listed(others)}" if others else f"is it this: {item.label}")

    def _of_parts(self, item: Item, group: list[Column]) -> dict[str, Any]:
        sources = {column.target.part: {"column": column.cells.name} for column in group}
        if item.type is ItemType.SCORE:
            signs: dict[str, Any] = {}
            for column in group:
                sign = item.sign(column.target.part)
                answers = {
                    folded(w): a.id for a in (sign.answers if sign else ()) for w in (a.id, a.label, str(a.points))
                }
                ids = listed(answers.values(), 8)
                mapped = {t: answers.get(folded(t)) or Open("", f"one of {ids}") for t in column.cells.distinct}
                signs[column.target.part] = {"column": column.cells.name, "map": mapped}
            return {"signs": signs}
        cells = [text for column in group for text in column.cells.distinct]
        unit = next((unit for column in group if (unit := _unit_of(column))), "")
        return self.reader.components(item, sources, cells, unit) | self._where(group[0].name, item)

    def entries(
        self, item: Item, name: Name, cells: Counter[str], column: str, head: dict[str, Any], unit: str
    ) -> Iterator[dict[str, Any]]:
        """The entries of an item whose cells stand in one column: one, or one a side."""
        source: dict[str, Any] = {"column": column}
        where = self._where(name, item)
        if item.type is ItemType.QUANTITIES and not item.component("saturation"):
            names = [component.id for component in item.components[:2]]
            sources = {part: source | {"pattern": pattern} for part, pattern in zip(names, _PRESSURE, strict=True)}
            upper = list(parts_of(cells, _PRESSURE[0]))
            yield head | {"components": sources, "unit": self.reader.unit(item, upper, unit)} | where
            return
        sides = self._two_sides(item, cells) if not name.side else None
        if sides is not None:
            for side, pattern in (("left", sides.left), ("right", sides.right)):
                said = side if sides.named else Open(side, "which side is written first?")
                part = source | {"pattern": pattern}
                yield head | {"side": said} | self.reader.value(item, cells, part, unit) | where
        elif item.sides is Sides.EACH and not name.side:
            for side in ("left", "right"):
                why = "one cell for two sides: of both? else delete the entry of the other side"
                yield head | {"side": Open(side, why)} | self.reader.value(item, cells, source, unit) | where
        else:
            side_of = {"side": name.side} if name.side and item.sides is not Sides.NONE else {}
            yield head | side_of | self.reader.value(item, cells, source, unit) | where

    def _two_sides(self, item: Item, cells: Counter[str]) -> TwoSides | None:
        if item.sides not in (Sides.EACH, Sides.OPTIONAL, Sides.EITHER):
            return None
        words = self.reader.words
        missing = words.folded("missing")
        texts = [text for text in cells if folded(text) not in missing]
        given = [list(map(str, words.given[name])) for name in ("left", "right", "both")]
        found = two_sides(texts, *given)
        return found if found is None or found.named or item.sides is Sides.EACH else None

    def _where(self, name: Name, item: Item) -> dict[str, Any]:
        if name.site in item.sites:
            return {"site": name.site}
        return {"site": Open("", f"where on the body; one of {listed(item.sites)}")} if item.site_required else {}

    def long(
        self, rows: Iterable[dict[str, str]], which: str, result: str | Open, unit: str, side: str
    ) -> Iterator[dict[str, Any]]:
        """The entries of a table with one finding a row: ``which`` names the item, ``result`` its value."""
        by_item: dict[str, list[dict[str, str]]] = {}
        for row in rows:
            if row[which]:
                by_item.setdefault(row[which], []).append(row)
        for text, own in by_item.items():
            yield from self._long(text, own, which, result, unit, side)

    def _long(
        self, text: str, rows: list[dict[str, str]], which: str, result: str | Open, unit: str, side: str
    ) -> Iterator[dict[str, Any]]:
        words = self.reader.words
        name = words.name(text)
        target = next((t for t in name.targets if t.item), Target())
        item = words.catalogue.items.get(target.item)
        when = {"column": which, "is": [text]}
        column = result.proposal if isinstance(result, Open) else result
        if item is None or target.part:
            why = f"the item of these {len(rows)} rows; or delete this entry, to leave them unread"
            yield {"item": Open(str(target.item), why), "when": when, "value": {"column": result}}
            return
        others = [str(one) for one in name.targets if one is not target]
        said = item.id if name.sure else Open(item.id, f"or {listed(others)}" if others else "is it this?")
        cells = Counter(row[column] for row in rows if row[column])
        head: dict[str, Any] = {"item": said, "when": when}
        units = {row[unit] for row in rows if unit and row[unit]}
        known = next(iter(units)) if len(units) == 1 else ""
        sides = sorted({row[side] for row in rows if side and row[side]})
        if sides and not name.side and item.sides is not Sides.NONE:
            shown = {t: words.side(t) or Open("", "left or right") for t in sides}
            yield (
                head
                | {"side": {"column": side, "map": shown}}
                | self._valued(item, cells, column, known, unit, units)
            )
            return
        for entry in self.entries(item, name, cells, column, head, name.unit or words.unit(known) or known):
            yield self._with_units(entry, item, unit, units) if not name.unit else entry

    def _valued(
        self, item: Item, cells: Counter[str], column: str, known: str, unit: str, units: set[str]
    ) -> dict[str, Any]:
        value = self.reader.value(item, cells, {"column": column}, self.reader.words.unit(known) or known)
        return self._with_units(value, item, unit, units)

    def _with_units(self, entry: dict[str, Any], item: Item, unit: str, units: set[str]) -> dict[str, Any]:
        """With the unit of each row, where the rows have several."""
        if len(units) < 2 or "unit" not in entry:
            return entry
        mapped = {text: self.reader.words.unit(text) or Open("", "which unit") for text in sorted(units)}
        return entry | {"unit": {"column": unit, "map": mapped}}


def _unit_of(column: Column) -> str:
    return column.name.unit or column.cells.unit


_PEOPLES = {"[lb_av]": "lb", "[oz_av]": "oz"}
