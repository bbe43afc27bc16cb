"""A flattening of capture records into the wide and the long table, from the rules of ``examples/guides/research.md``
alone: no line of it is shared with :mod:`adapter.write.tables`, and it knows no view of a finding.

It begins at the record as JSON. From the catalogue it takes what items ask (type, sides, places, answers, signs) and
what a kind of exam expects; units are converted by :mod:`adapter.catalogue.units`, which has judges of its own
(``tests/outside/test_ucum.py``). What is judged or computed it cannot know, and says nothing of.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction
from typing import Any

from adapter.catalogue import Catalogue, Item
from adapter.exam import Amount, Quantity

Cells = dict[str, Any]
Json = dict[str, Any]
TWO = ("left", "right")


class Record:
    """One capture record: a row of the wide table (``wide``), rows of the long one (``long``)."""

    def __init__(self, record: bytes, catalogue: Catalogue) -> None:
        content = json.loads(record, parse_float=Decimal)
        self.catalogue, self.exam, self.newborn = catalogue, content["exam"], content["newborn"]
        self.born = datetime.fromisoformat(self.newborn["birth_time"])
        self.found = content["findings"]
        for number, one in enumerate(self.found):
            at = datetime.fromisoformat(one.get("observed_at", self.exam["started"]))
            if "observed_at" not in one and (minutes := catalogue.items[one["item"]].minutes_after_birth) is not None:
                at = self.born + timedelta(minutes=minutes)
            one["when"] = (at, number)  # what stands later in the record was found later in the same moment

    def long(self) -> list[Cells]:
        """What was captured, finding after finding."""
        return [self._row(one) for one in self.found]

    def _row(self, one: Json) -> Cells:
        item, value = self.catalogue.items[one["item"]], one.get("value")
        side = self._side(one) or ("both" if item.sides in ("pair", "either") else None)
        return {
            "item": item.id,
            "side": side,
            "site": one.get("site", item.body_site),
            "status": "not_examined" if "not_examined" in one else "examined",
            "not_examined": one.get("not_examined"),
            "answer": value if isinstance(value, str) else None,
            "number": self._number(item, value),
            "in_words": one.get("text"),
            "note": one.get("note"),
            "age_hours": self._hours(one["when"][0]),
        }

    def wide(self) -> Cells:
        """The columns that have something, and every status; ``repeated`` is a set: what a reading that does not
        stand would have filled."""
        row: Cells = {"repeated": set()}
        for item in self.catalogue.items.values():
            if item.computed:
                continue
            for side in TWO if item.sides == "each" else ("",):
                here = [one for one in self.found if one["item"] == item.id and (not side or self._side(one) == side)]
                here.sort(key=lambda one: one["when"])
                base = f"{item.id}_{side}" if side else item.id
                row[f"{base}_status"] = self._status(item, side, here)
                self._fill(row, item, base, here)
        return row

    def _status(self, item: Item, side: str, here: list[Json]) -> str:
        if any("value" in one for one in here):
            return "examined"
        if any("text" in one for one in here):
            return "examined" if item.type == "text" else "in_words"
        if here:
            return f"not_examined:{here[-1]['not_examined']}"
        return "not_recorded" if self._expected(item) else "not_expected"

    def _expected(self, item: Item) -> bool:
        if item not in self.catalogue.expected(self.exam["kind"]):
            return False
        sex = self.newborn["sex"]
        for one in self.found:
            if one["item"] == "genital_type" and "not_examined" not in one:
                sex = str(one.get("value", "")).removeprefix("typical_")
                break
        return item.sex is None or sex not in ("female", "male") or sex == item.sex

    def _fill(self, row: Cells, item: Item, base: str, here: list[Json]) -> None:
        if item.type == "text":
            row |= {base: "\n".join(one["text"] for one in here if "text" in one) or None}
            return
        readings = list(self._readings(item, base, [one for one in here if "value" in one]))
        for mine in readings:
            if any(self._gives_way(mine, other, base) for other in readings):
                row["repeated"] |= {name for name, cell in mine["cells"].items() if cell is not None}
            else:
                row |= mine["cells"]

    @staticmethod
    def _gives_way(mine: Json, other: Json, base: str) -> bool:
        """The latest stands; a reading without a side is of both, but for what was found at the same moment."""
        if other["when"] <= mine["when"]:
            return False
        if other["columns"] == mine["columns"]:
            return True
        of_both = base in (mine["columns"], other["columns"]) and mine["by_side"]
        return bool(of_both and other["when"][0] > mine["when"][0])

    def _readings(self, item: Item, base: str, here: list[Json]) -> Iterator[Json]:
        if item.type not in ("choice", "choices"):
            for one in here:
                own = "_".join(part for part in (base, one.get("site")) if part)
                yield {"when": one["when"], "columns": own, "by_side": False, "cells": self._cells(item, own, one)}
            return
        by_side = item.sides in ("optional", "either")
        together: dict[Any, list[Json]] = {}
        for one in here:
            side = one.get("side", "") if by_side else ""
            side = side if side in TWO else ""
            answer = one["value"] if item.type == "choice" else ""
            together.setdefault((one["when"][0], side, answer), []).append(one)
        for (_, side, _), found in together.items():
            own = f"{base}_{side}" if side else base
            answers = [a.id for a in item.answers if any(one["value"] == a.id for one in found)]
            sites = [site for site in item.sites if any(one.get("site") == site for one in found)]
            cells = {own: ";".join(answers)}
            if item.sites:
                cells[f"{own}_site"] = ";".join(sites) or None
            yield {"when": found[0]["when"], "columns": own, "by_side": by_side, "cells": cells}

    def _cells(self, item: Item, own: str, one: Json) -> Cells:
        value = one["value"]
        if isinstance(value, str):
            return {own: value}
        if "time" in value:
            return {f"{own}_hours": self._hours(datetime.fromisoformat(value["time"]))}
        if "components" in value:
            return {
                f"{own}_{name}": self._converted(item, {"value": number, "unit": value["unit"]})
                for name, number in value["components"].items()
            }
        if "unit" in value:
            return {own: self._converted(item, value), f"{own}_comparator": value.get("comparator")}
        return {own: self._number(item, value)} | {
            f"{own}_{sign}": points for sign, points in self._points(item, value).items()
        }

    def _number(self, item: Item, value: Any) -> Decimal | int | None:
        if not isinstance(value, dict) or "time" in value or "components" in value:
            return None
        if "unit" in value:
            return self._converted(item, value)
        if "total" in value:
            return int(value["total"])
        counted = {sign.group or sign.id for sign in item.signs if sign.id in value["signs"]}
        whole = counted == {sign.group or sign.id for sign in item.signs}
        return sum(self._points(item, value).values()) if whole else None

    @staticmethod
    def _points(item: Item, value: Json) -> dict[str, int]:
        given = value.get("signs", {})
        return {
            sign.id: next(a.points for a in sign.answers if a.id == given[sign.id])
            for sign in item.signs
            if sign.id in given
        }

    def _converted(self, item: Item, value: Json) -> Decimal:
        plus = value.get("plus")
        given = Quantity(
            value=Decimal(value["value"]),
            unit=value["unit"],
            plus=None if plus is None else Amount(value=Decimal(plus["value"]), unit=plus["unit"]),
        )
        units = self.catalogue.units
        unit, own = units.find(given.unit), units[item.unit or ""]
        if item.molar_mass is not None and unit is not None and unit.dimension != own.dimension:
            return units.between_mass_and_substance(given, own.ucum, item.molar_mass)
        return units.convert(given, own.ucum)

    def _side(self, one: Json) -> str | None:
        if "side" in one:
            return str(one["side"])
        site = self.catalogue.sites.get(one.get("site", ""))
        return site.side.value if site and site.side else None

    def _hours(self, at: datetime) -> Decimal:
        since = at - self.born
        exact = Fraction(since.days * 86_400_000_000 + since.seconds * 1_000_000 + since.microseconds, 3_600_000_000)
        return (Decimal(exact.numerator) / exact.denominator).quantize(Decimal("0.0001"), ROUND_HALF_UP)
