"""Table one: who is in the extract, by place of the exam; each newborn by its first exam there."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from statistics import fmean, median, quantiles, stdev
from typing import Any

from adapter.write.quality.hiding import hidden_together, may_show

ALL = "all"
PRETERM = 37


@dataclass(frozen=True, slots=True)
class Place:
    """The newborns of a place (:data:`ALL`: of all). Weeks and hours are quartiles, grams mean and standard
    deviation; None where they are not known of enough newborns, and where a count may not be shown."""

    place: str
    newborns: int | None
    female: int | None
    sex_known: int
    preterm: int | None
    weeks_known: int
    weeks: tuple[float, float, float] | None
    grams: tuple[float, float] | None
    hours: tuple[float, float, float] | None


def table_one(base: sqlite3.Connection, least: int) -> list[Place]:
    """Of the table ``exam`` (newborn, place, hours, sex, weeks, grams)."""
    places = [place for (place,) in base.execute("select distinct place from exam order by 1")]
    found = [_place(place, list(_first(base, place)), least) for place in places if len(places) > 1]
    return _shown([_place(None, list(_first(base, None)), least), *found], least)


def _shown(places: list[Place], least: int) -> list[Place]:
    """Without counts that are small, or that would give a small one away."""
    counts = {one.place: one.newborns or 0 for one in places}
    small = {place for place, count in counts.items() if count < least}
    of_all, by_place = small & {ALL}, {place: count for place, count in counts.items() if place != ALL}
    small = hidden_together(by_place, small - {ALL}, least) | of_all
    no_sex = _hidden({one.place: (one.female or 0, one.sex_known) for one in places}, small, least)
    no_weeks = _hidden({one.place: (one.preterm or 0, one.weeks_known) for one in places}, small, least)
    nothing: dict[str, Any] = {"newborns": None, "weeks": None, "grams": None, "hours": None}
    found = []
    for one in places:
        changes = dict(nothing) if one.place in small else {}
        changes |= {"female": None, "sex_known": 0} if one.place in no_sex else {}
        changes |= {"preterm": None, "weeks_known": 0} if one.place in no_weeks else {}
        found.append(replace(one, **changes))
    return found


def _hidden(counts: dict[str, tuple[int, int]], small: set[str], least: int) -> set[str]:
    """The places of which a part of a whole may not be shown."""
    away = {place for place, (count, of) in counts.items() if place in small or not may_show(count, of, least)}
    by_place = {place: count for place, (count, _) in counts.items() if place != ALL}
    return hidden_together(by_place, away - {ALL}, least) | (away & {ALL})


_Row = tuple[float | None, str, int | None, float | None]


def _first(base: sqlite3.Connection, place: str | None) -> Iterator[_Row]:
    query = (
        "select min(coalesce(hours, 1e9)), max(sex), max(weeks), max(grams) from exam "
        "where ? is null or place = ? group by newborn"
    )
    for hours, sex, weeks, grams in base.execute(query, (place, place)):
        yield (None if hours == 1e9 else hours), sex, weeks, grams


def _place(place: str | None, rows: Sequence[_Row], least: int) -> Place:
    hours = [row[0] for row in rows if row[0] is not None]
    sexes = [row[1] for row in rows if row[1] in ("female", "male")]
    weeks = [row[2] for row in rows if row[2] is not None]
    grams = [row[3] for row in rows if row[3] is not None]
    return Place(
        ALL if place is None else place,
        len(rows),
        sexes.count("female"),
        len(sexes),
        sum(week < PRETERM for week in weeks),
        len(weeks),
        _quartiles(weeks, least),
        (fmean(grams), stdev(grams)) if len(grams) >= max(least, 2) else None,
        _quartiles(hours, least),
    )


def _quartiles(numbers: Sequence[float], least: int) -> tuple[float, float, float] | None:
    """Lower quartile, median, upper quartile (inclusive method: method 7 of Hyndman and Fan, 1996)."""
    if len(numbers) < max(least, 2):
        return None
    low, _, high = quantiles(numbers, n=4, method="inclusive")
    return low, float(median(numbers)), high
