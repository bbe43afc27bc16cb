"""One row through the sources of a plan: texts, moments and gestations as the capture record holds them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation
from typing import Any

from adapter.read.places import CellPlaces
from adapter.read.plan.model import GestationPlan, Plan, Source, Time
from adapter.read.plan.times import hours_later, read_moment, read_parts
from adapter.read.raw import Unreadable
from adapter.read.wording import one_of, shown

_LONGEST = 200
"""Characters of a cell that a pattern is tried on: a pattern may take long on a long cell."""


@dataclass(slots=True)
class RowFill:
    """Fills the fields of a record from one row, and notes which cell each came from."""

    plan: Plan
    number: int
    cells: dict[str, str]
    places: CellPlaces
    birth: str | None = field(default=None)

    def cell(self, column: str, missing: tuple[str, ...] = ()) -> str | None:
        """The text of a cell, or None where it is blank or a mark for missing."""
        text = self.cells[column]
        return None if not text or text in self.plan.missing or text in missing else text

    def text(self, source: Source | None, at: str) -> Any:
        """The text of a source, or None where it is missing."""
        if source is None:
            return None
        found: Any = self._text(source)
        if source.column is not None:
            self.places.put(at, self.number, source.column)
        elif source.row_number:
            self.places.put(at, self.number)
        return found

    def _text(self, source: Source) -> Any:
        if source.constant is not None:
            return source.constant
        if source.row_number:
            return f"{source.prefix}{self.number}{source.suffix}"
        text = self._part(source)
        return self._translated(source, text) if isinstance(text, str) else text

    def _part(self, source: Source) -> str | Unreadable | None:
        """What a source takes of its cell: all, or the part that its pattern names."""
        text = self.cell(source.column, source.missing) if source.column else None
        if text is None or source.pattern is None:
            return text
        match = re.fullmatch(source.pattern, text) if len(text) <= _LONGEST else None
        if match is None:
            remedy = f"a cell that the plan's pattern takes: {source.pattern}"
            return Unreadable("not-in-pattern", "is not written as the plan's pattern", remedy)
        part = (match[1] or "").strip()
        return None if not part or part in self.plan.missing or part in source.missing else part

    def _translated(self, source: Source, text: str) -> Any:
        if source.map:
            mapped = source.map.get(text, source.otherwise)
            if mapped is None:
                remedy = f"{one_of(text, source.map)}; or add it to the plan's map"
                return Unreadable("not-in-map", f"{shown(text)} is not translated by the plan", remedy)
            text = mapped
        return f"{source.prefix}{text}{source.suffix}"

    def answers(self, source: Source | None, mark: str, at: str) -> Any:
        """Several answers of one cell, each translated by itself."""
        if source is None or source.column is None:
            return self.text(source, at)
        self.places.put(at, self.number, source.column)
        text = self._part(source)
        if isinstance(text, Unreadable):
            return text
        parts = [part.strip() for part in text.split(mark)] if text else []
        return [self._translated(source, part) for part in parts if part] or None

    def number_text(self, source: Source | None, at: str) -> Any:
        """A number as text with a decimal point."""
        found = self.text(source, at)
        return self.pointed(found) if isinstance(found, str) else found

    def pointed(self, text: str) -> str | Unreadable:
        """A number with the table's decimal mark as one with a point; with a point where a comma is told, refused."""
        if self.plan.table.decimal == "comma":
            if "." in text:
                remedy = "a comma for the decimals and nothing for the thousands, such as 1,234 or 1234"
                return Unreadable("ambiguous-number", f"{shown(text)} has a point: decimal or thousand?", remedy)
            if re.fullmatch(r"(?:[<>]=?\s*)?-?\d+,\d+", text):
                return text.replace(",", ".")
        return text

    def whole(self, source: Source | None, at: str) -> Any:
        """A whole number; spreadsheets write 39 as 39.0."""
        found = self.number_text(source, at)
        if not isinstance(found, str):
            return found
        if re.fullmatch(r"-?\d{1,6}(\.0+)?", found):
            return int(found.partition(".")[0])
        return Unreadable("not-a-number", f"{shown(found)} is not a whole number", "a whole number, such as 39")

    def moment(self, time: Time | None, at: str) -> Any:
        """ISO 8601 with offset, or None where it is missing."""
        if time is None:
            return None
        if time.constant is not None:
            return time.constant.isoformat()
        zone = time.time_zone or self.plan.time_zone
        if time.hours_after_birth is not None:
            hours = self.number_text(time.hours_after_birth, at)
            return hours_later(self.birth, hours) if isinstance(hours, str) and self.birth else None
        column = time.column or time.date
        assert column is not None
        self.places.put(at, self.number, column)
        text = self.cell(column, time.missing)
        if text is None:
            return None
        if time.column is not None:
            return read_moment(text, time.format, zone)
        clock = self.cell(time.time, time.missing) if time.time else time.at
        if clock is None:
            return Unreadable("no-time-of-day", f"a date, and no time of day in {time.time}", "the time of day")
        return read_parts(text, clock, time.format, time.time_format, zone)

    def gestation(self, plan: GestationPlan | None, at: str) -> Any:
        """Weeks and days, or None where they are missing."""
        if plan is None:
            return None
        if plan.weeks is not None:
            weeks, days = self.whole(plan.weeks, f"{at}/weeks"), self.whole(plan.days, f"{at}/days")
            found = present({"weeks": weeks, "days": days})
        elif plan.total_days is not None:
            found = _weeks_and_days(self.whole(plan.total_days, at))
        elif plan.weeks_and_days is not None:
            found = _both(self.text(plan.weeks_and_days, at))
        else:
            found = _weeks_and_days(_days(self.number_text(plan.decimal_weeks, at)))
        if not found:
            return None
        return (
            found
            if isinstance(found, Unreadable)
            else found | present({"method": self.text(plan.method, f"{at}/method")})
        )


def _both(text: Any) -> Any:
    """Weeks and days written in one, such as 39+4; of 39 the days are not known."""
    if not isinstance(text, str):
        return text
    match = re.fullmatch(r"(\d{1,2})(?:\s*\+\s*([0-6]))?", text, re.ASCII)
    if match is None:
        return Unreadable(
            "not-a-gestation", f"{shown(text)} is not weeks and days", "weeks+days with days of 0 to 6, such as 39+4"
        )
    return present({"weeks": int(match[1]), "days": int(match[2]) if match[2] else None})


def present(fields: dict[str, Any]) -> dict[str, Any]:
    """The fields that are not missing."""
    return {name: value for name, value in fields.items() if value is not None}


def _weeks_and_days(days: Any) -> Any:
    if isinstance(days, int):
        return {"weeks": days // 7, "days": days % 7} if days >= 0 else {"weeks": days}
    return days


def _days(weeks: Any) -> Any:
    """Weeks with decimals in whole days, to the nearest."""
    if not isinstance(weeks, str):
        return weeks
    try:
        return int((Decimal(weeks) * 7).to_integral_value())
    except (InvalidOperation, ValueError):
        return Unreadable(
            "not-a-number", f"{shown(weeks)} is not a number of weeks", "weeks with decimals, such as 39.57"
        )
