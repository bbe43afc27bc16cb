"""Dates as spans of time, for searching.

FHIR R4 search, section 3.1.1.4.7 (date): a date, at whatever precision, stands for the whole span it names,
and every comparison is between spans. Where a value carries no time zone the server's own is taken; this
server's own is UTC.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)

#: The bounds of a period that has no start or no end.
EARLIEST, LATEST = -(2**62), 2**62

# R4 data types, dateTime; minutes without seconds are allowed in a search value (section 3.1.1.4.7).
_DATE = re.compile(
    r"(?P<year>\d{4})(-(?P<month>\d\d)(-(?P<day>\d\d)"
    r"(T(?P<hour>\d\d):(?P<minute>\d\d)(:(?P<second>\d\d)(\.(?P<fraction>\d+))?)?"
    r"(?P<zone>Z|[+-]\d\d:\d\d)?)?)?)?",
    re.ASCII,
)


def span(text: str) -> tuple[int, int]:
    """The span ``[low, high)`` in microseconds since 1970 UTC that a date or dateTime stands for.

    ``2024`` is a year, ``2024-05`` a month, ``2024-05-01`` a day, to the minute, the second or a fraction.
    Raises ``ValueError`` for anything else.
    """
    match = _DATE.fullmatch(text)
    if match is None:
        raise ValueError("not a FHIR date")
    part = match.groupdict()
    zone = part["zone"] or "Z"
    start = datetime.fromisoformat(
        f"{part['year']}-{part['month'] or '01'}-{part['day'] or '01'}"
        f"T{part['hour'] or '00'}:{part['minute'] or '00'}:{part['second'] or '00'}"
        f"{'+00:00' if zone == 'Z' else zone}"
    )
    try:
        low = (start - _EPOCH) // _MICROSECOND
        return _fraction(low, part["fraction"]) if part["fraction"] else (low, low + _length(start, part))
    except OverflowError:
        raise ValueError("a date beyond the calendar") from None


def period(start: str | None, end: str | None) -> tuple[int, int]:
    """The span of a Period: from the beginning of its start to the end of its end, open where absent."""
    return (span(start)[0] if start else EARLIEST, span(end)[1] if end else LATEST)


def _fraction(low: int, digits: str) -> tuple[int, int]:
    """A fraction of a second, read to the microsecond: ``.5`` is the tenth of a second from .5 to .6."""
    shown = digits[:6]
    unit = 10 ** (6 - len(shown))
    return low + int(shown) * unit, low + (int(shown) + 1) * unit


def _length(start: datetime, part: dict[str, str | None]) -> int:
    if part["second"]:
        length = timedelta(seconds=1)
    elif part["hour"]:
        length = timedelta(minutes=1)
    elif part["day"]:
        length = timedelta(days=1)
    else:
        # Months and years differ in length: to the same point of the next one.
        months = 1 if part["month"] else 12
        year, month = divmod(start.month - 1 + months, 12)
        length = start.replace(year=start.year + year, month=month + 1) - start
    return length // _MICROSECOND
