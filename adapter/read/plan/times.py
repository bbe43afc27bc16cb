"""Local times of a table as moments with an offset: never guessed where a clock change leaves them open."""

from __future__ import annotations

import re
from datetime import datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from adapter.read.raw import Unreadable
from adapter.read.wording import shown

_ISO_DATE = re.compile(r"\d{4}-\d\d-\d\d")
_ISO_TIME = re.compile(r"\d\d:\d\d(:\d\d)?")


def read_moment(text: str, form: str | None, zone: str | None) -> str | Unreadable:
    """ISO 8601 with offset of a cell's date and time, written in ``form`` (ISO 8601 where None)."""
    try:
        local = datetime.strptime(text, form) if form else datetime.fromisoformat(text)
    except ValueError:
        return _not_a_time(form or "ISO 8601, such as 2026-03-01 08:30")
    if form is None and _ISO_DATE.fullmatch(text):
        return Unreadable("no-time-of-day", "a date without its time of day", "in the plan: date with time or at")
    if local.tzinfo is not None:
        return local.isoformat()
    if zone is None:
        return Unreadable(
            "no-offset", "a time without its offset from UTC", "in the plan: time_zone, such as Europe/Oslo"
        )
    return with_offset(local, zone)


def read_parts(
    date: str, time_of_day: str, date_form: str | None, time_form: str | None, zone: str | None
) -> str | Unreadable:
    """The same for a date and a time of day in two cells."""
    try:
        day = datetime.strptime(date, date_form) if date_form else datetime.fromisoformat(date)
    except ValueError:
        return _not_a_time(date_form or "YYYY-MM-DD")
    clock = _clock(time_of_day, time_form)
    if clock is None:
        return _not_a_time(time_form or "HH:MM")
    if zone is None:
        return Unreadable(
            "no-offset", "a time without its offset from UTC", "in the plan: time_zone, such as Europe/Oslo"
        )
    return with_offset(datetime.combine(day.date(), clock), zone)


def _clock(text: str, form: str | None) -> time | None:
    if form is None and not _ISO_TIME.fullmatch(text):
        return None
    try:
        return datetime.strptime(text, form).time() if form else time.fromisoformat(text)
    except ValueError:
        return None


def with_offset(local: datetime, zone: str) -> str | Unreadable:
    """The local time in its zone, or why it is not one moment: it came twice, or never (PEP 495)."""
    there = ZoneInfo(zone)
    first, second = local.replace(tzinfo=there, fold=0), local.replace(tzinfo=there, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first.isoformat()
    twice = first.utcoffset() > second.utcoffset()  # type: ignore[operator]
    what = "came twice" if twice else "never came"
    return Unreadable(
        "clock-change",
        f"this local time {what} in {zone}: the clocks were changed",
        "the time with its offset in the cell, such as 2026-10-25T02:30:00+01:00",
    )


def hours_later(birth: str, hours: str) -> str | Unreadable:
    """So many hours after a moment."""
    if not re.fullmatch(r"\d{1,6}(\.\d{1,6})?", hours):
        return Unreadable(
            "not-a-number", f"{shown(hours)} is not a number of hours", "hours since birth, such as 26 or 26.5"
        )
    start = datetime.fromisoformat(birth)
    return (start + timedelta(seconds=round(Decimal(hours) * 3600))).isoformat()


def _not_a_time(form: str) -> Unreadable:
    return Unreadable("not-a-time", f"is not written as {form}", f"{form}, or another format in the plan")
