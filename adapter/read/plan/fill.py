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
        text = self.cell(source.column, source.missing) if source.column else None
        return None if text is None else self._translated(source, text)

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
        text = self.cell(source.column, source.missing)
        parts = [part.strip() for part in text.split(mark)] if text else []
        return [self._translated(source, part) for part in parts if part] or None

    def number_text(self, source: Source | None, at: str) -> Any:
        """A number as text with a decimal point."""
        found = self.text(source, at)
        return self.pointed(found) if isinstance(found, str) else found

    def pointed(self, text: str) -> str:
        """A number with the table's decimal mark as one with a point."""
        if self.plan.table.decimal == "comma" and re.fullmatch(r"-?\d+,\d+", text):
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
        else:
            found = _weeks_and_days(_days(self.number_text(plan.decimal_weeks, at)))
        if not found:
            return None
        return (
            found
            if isinstance(found, Unreadable)
            else found | present({"method": self.text(plan.method, f"{at}/method")})
        )


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
