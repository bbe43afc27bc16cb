"""Times of a response in the time of the ward again: many form renderers answer in UTC.

RFC 9557, section 2.2 (which updates RFC 3339): a time written with ``Z`` says the moment, and leaves the offset of
local time unknown. The moment decides ages; the local day decides the birth date (FHIR R4 Patient.birthDate).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

from adapter.problems import Problem
from adapter.read.places import Place

_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d[\d:.]*(Z|[+-]\d\d:\d\d)")
_UNPLACED = ("Z", "-00:00")
BIRTH = "newborn.birth_time"
"""The linkId of the time of birth."""
_REMEDY = "time_zone: Europe/Berlin, or the ward's own, in site.yaml (--site); or local times with their offset"


@dataclass(slots=True)
class LocalTimes:
    """Brings the times of one response to ``zone``; without one it notes which have no local time."""

    zone: str | None
    unplaced: list[tuple[str, datetime, Place]] = field(default_factory=list)
    offsets: set[timedelta] = field(default_factory=set)

    def local(self, value: Any, link_id: str, place: Place) -> Any:
        """The time as it is to stand in the record; what is no time is left for the record's checks."""
        moment = _moment(value)
        if moment is None:
            return value
        if self.zone is not None:
            return value if moment.utcoffset() else moment.astimezone(ZoneInfo(self.zone)).isoformat()
        if value.endswith(_UNPLACED):
            self.unplaced.append((link_id, moment, place))
        else:
            self.beside(value)
        return value

    def beside(self, value: Any) -> None:
        """A time that is no part of the record, but tells the offset where the form was filled in."""
        moment = _moment(value)
        if moment is not None and not value.endswith(_UNPLACED):
            self.offsets.add(moment.utcoffset() or timedelta())

    def problems(self) -> Iterator[Problem]:
        """A birth whose local day nobody can know is refused; of other times it is said once."""
        others = [place for link_id, _, place in self.unplaced if link_id != BIRTH]
        for link_id, moment, place in self.unplaced:
            if link_id == BIRTH:
                yield self._of_birth(moment, place)
        if others:
            times = "a time" if len(others) == 1 else f"{len(others)} times"
            what = f"{times} in UTC (Z), the first here: ages are right, the clock shown is not the ward's"
            yield others[0].warning("time-in-utc", what, _REMEDY)

    def _of_birth(self, moment: datetime, place: Place) -> Problem:
        """By the offsets that other times of the response have; if none has one, any day may be the birth date."""
        days = {moment.astimezone(timezone(offset)).date() for offset in self.offsets}
        if days == {moment.date()}:
            what = "the time of birth is in UTC (Z); by the offset of the other times its date is the same"
            return place.warning("time-in-utc", what, _REMEDY)
        what = "the time of birth is in UTC (Z), so its local date, the birth date, is not known"
        if days:
            what = "the time of birth is in UTC (Z); by the offset of the other times its date would be another"
        return place.error("birth-date-unknown", what, _REMEDY)


def _moment(value: Any) -> datetime | None:
    """A time with its offset, not so near the calendar's ends that no other offset could be told."""
    if not isinstance(value, str) or not _MOMENT.fullmatch(value):
        return None
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        return None
    return moment if 1 < moment.year < 9999 else None
