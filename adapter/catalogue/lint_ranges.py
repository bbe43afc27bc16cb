"""Faults of an item's ranges: their ends and order, what lies in none of them, and what none can ever reach."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from itertools import combinations, pairwise
from typing import Protocol

from adapter.catalogue.lint_holds import empty
from adapter.catalogue.model import Condition, Flag, Item, ItemType, Limits, Meaning, Range
from adapter.catalogue.places import Step
from adapter.exam.model import Urgency
from adapter.problems import Problem


class Report(Protocol):
    """Makes a problem of one item; ``within``: the steps from the item to the part of it that is wrong."""

    def __call__(self, rule: str, what: str, remedy: str, *within: Step, says: str = "") -> Problem: ...


def lint_ranges(item: Item, report: Report) -> Iterator[Problem]:
    """All faults of the ranges of an item."""
    for number in range(len(item.ranges)):
        yield from _band(item, number, report)
        yield from _condition(item, number, report)
        yield from _shadowed(item, number, report)
    yield from _reachable(item, report)
    yield from _gaps(item, report)
    for (_, one), (number, other) in combinations(enumerate(item.ranges), 2):
        if one.component == other.component and one.when == other.when and _overlap(one, other):
            what = f"ranges '{one}' and '{other}' overlap"
            yield report("range-overlap", what, "end one where the next begins", "ranges", number)


def _band(item: Item, number: int, whole: Report) -> Iterator[Problem]:
    band = item.ranges[number]

    def report(rule: str, what: str, remedy: str) -> Problem:
        return whole(rule, what, remedy, "ranges", number)

    if band.low is None and band.high is None:
        yield report("range-open", "a range has neither low nor high", "give at least one end")
    if band.low and band.low.comparator[0] != ">":
        yield report("range-upside-down", f"low end '{band.low}' points down", "low ends take >= or >")
    if band.high and band.high.comparator[0] != "<":
        yield report("range-upside-down", f"high end '{band.high}' points up", "high ends take <= or <")
    if band.low and band.high and band.low.value > band.high.value:
        yield report("range-upside-down", f"range '{band}' is upside down", "low before high")
    if item.components and (band.component is None or item.component(band.component) is None):
        yield report("unknown-reference", f"range '{band}' names no component", "component: one of its own")
    if band.meaning is Meaning.EXPECTED and band.urgency is not Urgency.NONE:
        yield report("urgent-expected", f"range '{band}' is expected and yet to be told", "its urgency none")
    wrong = Meaning.ABNORMAL if band.flag is Flag.NORMAL else Meaning.EXPECTED
    if band.meaning is wrong:
        what = f"range '{band}' is {band.meaning} and has the flag {band.flag}, which says otherwise"
        yield report("range-flag", what, "N for what is expected, L, LL, H, HH or A for what is abnormal")
    elif (band.low is None and band.flag in _HIGH) or (band.high is None and band.flag in _LOW):
        end = "bottom" if band.low is None else "top"
        what = f"range '{band}' is at the {end} and has the flag {band.flag}"
        yield report("range-flag", what, "L or LL at the bottom, H or HH at the top")


_LOW, _HIGH = (Flag.LOW, Flag.LOW_CRITICAL), (Flag.HIGH, Flag.HIGH_CRITICAL)


def _condition(item: Item, number: int, report: Report) -> Iterator[Problem]:
    """A condition of a range that no finding of the item can meet."""
    when = item.ranges[number].when
    for name in ("age_hours", "gestation_weeks", "postmenstrual_weeks"):
        span = getattr(when, name)
        if span is not None and empty(span):
            what = f"no infant is of {name} '{span}'"
            yield report("range-unreachable", what, "low before high", "ranges", number)
    places = {*item.sites, *filter(None, [item.body_site])}
    methods = {*item.methods, *filter(None, [item.method])}
    asked = (("state", when.states, () if not item.states else when.states), ("site", when.sites, places))
    for word, names, known in (*asked, ("method", when.methods, methods)):
        for name in sorted(set(names) - set(known)):
            what = f"is for {word} {name}, which no finding of {item.id} has"
            remedy = f"one of {', '.join(sorted(known))}" if known else f"a range without {word}s"
            yield report("range-unreachable", what, remedy, "ranges", number)


def _shadowed(item: Item, number: int, report: Report) -> Iterator[Problem]:
    """A range that is left no possible value, since ranges before it hold whenever it would: the first decides."""
    band = item.ranges[number]
    part = item.component(band.component) if band.component else None
    limits = part.limits if part else item.limits
    before = [one for one in item.ranges[:number] if one.component == band.component and _wider(one.when, band.when)]
    own = [value for value in _telling(item, limits, band.component) if band.holds(value)]
    if (
        limits is not None
        and not item.signs
        and not any(limits.possible[0] <= value <= limits.possible[1] for value in own)
    ):
        what = f"range '{band}' lies outside what is possible"
        yield report("range-unreachable", what, "a range within the limits, or wider limits", "ranges", number)
    elif own and all(any(one.holds(value) for one in before) for value in own):
        what = f"range '{band}' never decides: each of its values lies in a range before it"
        yield report("range-unreachable", what, "it before them, or none", "ranges", number)


def _wider(one: Condition, other: Condition) -> bool:
    """Whether a condition holds whenever the other does."""
    return all(
        not (asked := getattr(one, name)) or asked == (of := getattr(other, name)) or _holds_all(asked, of)
        for name in Condition.model_fields
    )


def _holds_all(asked: object, of: object) -> bool:
    return isinstance(asked, tuple) and isinstance(of, tuple) and bool(of) and set(of) <= set(asked)


def _telling(item: Item, limits: Limits | None, component: str | None) -> list[Decimal]:
    """Every end of the ranges and limits, and a number between each two and beyond: between them nothing changes."""
    ends = {end.value for one in item.ranges if one.component == component for end in (one.low, one.high) if end}
    ordered = sorted(ends | (set(limits.possible) if limits else set()))
    if item.whole_numbers or item.type is ItemType.SCORE:
        return sorted({value + by for value in ordered for by in (-1, 0, 1)})
    return _with_between(ordered)


def _with_between(ordered: Sequence[Decimal]) -> list[Decimal]:
    if not ordered:
        return []
    between = [(low + high) / 2 for low, high in pairwise(ordered)]
    return [ordered[0] - 1, *ordered, *between, ordered[-1] + 1]


def _reachable(item: Item, report: Report) -> Iterator[Problem]:
    """Bands of a score that none of its totals falls into; other numbers reach what is possible."""
    if item.type is not ItemType.SCORE or not item.signs:
        return
    points = [[answer.points or 0 for answer in sign.answers] for sign in item.signs]
    low, high = sum(map(min, points)), sum(map(max, points))
    for number, band in enumerate(item.ranges):
        beneath = band.high is not None and not any(band.high.holds(Decimal(n)) for n in range(low, high + 1))
        above = band.low is not None and not any(band.low.holds(Decimal(n)) for n in range(low, high + 1))
        if beneath or above:
            what = f"no total falls into the range '{band}': its signs give {low} to {high}"
            yield report("range-unreachable", what, "a range within these totals, or other points", "ranges", number)


def _gaps(item: Item, report: Report) -> Iterator[Problem]:
    """Values between the ranges of an item that lie in none of them, whatever the infant: they would go unjudged."""
    whole = item.whole_numbers or item.type is ItemType.SCORE
    for component in dict.fromkeys(band.component for band in item.ranges):
        bands = [band for band in item.ranges if band.component == component]
        ends = sorted({end.value for band in bands for end in (band.low, band.high) if end})
        between = [(one + other) / 2 for one, other in pairwise(ends)] if not whole else []
        steps = [one + 1 for one, other in pairwise(ends) if other - one > 1] if whole else []
        for value in sorted([*ends, *between, *steps]):
            if not any(band.holds(value) for band in bands):
                at = f" of {component}" if component else ""
                what = f"{value:f}{at} lies between the ranges and in none of them"
                yield report("range-gap", what, "a range that holds it, or ends that meet", "ranges")


def _overlap(one: Range, other: Range) -> bool:
    """Whether some number lies in both."""
    return _reaches(one, other) and _reaches(other, one)


def _reaches(lower: Range, upper: Range) -> bool:
    if lower.high is None or upper.low is None:
        return True
    if lower.high.value == upper.low.value:
        return lower.high.comparator == "<=" and upper.low.comparator == ">="
    return lower.high.value > upper.low.value
