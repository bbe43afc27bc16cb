"""What a finding means and how soon to tell: an answer by its meaning, a number by the applicable range."""

from __future__ import annotations

from decimal import Decimal
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from adapter.catalogue import Bound, Catalogue, Flag, Item, ItemType, Meaning, Range, Span
from adapter.derive.age import age_hours
from adapter.derive.bands import bands
from adapter.derive.scores import score_total
from adapter.exam import At, Comparator, Exam, Finding, Quantities, Quantity, Score, Urgency

_ORDER = tuple(Urgency)
_FROM_THE_MOST = _ORDER[::-1]


class Judgement(NamedTuple):
    """The meaning of a finding, its urgency, and the range that decided where it is a number."""

    meaning: Meaning
    urgency: Urgency
    flag: Flag
    band: Range | None = None


def worst(*urgencies: Urgency | None) -> Urgency:
    """The most urgent of several."""
    for urgency in _FROM_THE_MOST:
        if urgency in urgencies:
            return urgency
    return Urgency.NONE


def number(finding: Finding, item: Item, catalogue: Catalogue) -> Decimal | None:
    """The finding's one number in the item's unit (a score's total), or None where it has none."""
    value = finding.value
    if isinstance(value, Quantity) and item.type is ItemType.QUANTITY and item.unit:
        return catalogue.amount(value, item)
    if isinstance(value, Score):
        total = score_total(value, item)
        return None if total is None else Decimal(total)
    return None


def judge(
    finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, exact: Decimal | None = None
) -> Judgement | None:
    """The judgement on one finding, or None where nothing is known that would judge it.

    The examiner's own urgency raises what the catalogue says. A moment is judged by the hours of life at it. A value
    with a comparator (``<40``) is judged by what is sure of all that it allows. ``exact`` is the unrounded value of
    a computed one.
    """
    if type(finding.value) is str:
        judged = meanings(catalogue).get((item.id, finding.value))
    else:
        judged = _judge(finding, item, exam, catalogue, exact)
    if finding.urgency is None or finding.not_examined is not None:
        return judged
    if judged is None:
        return Judgement(Meaning.ABNORMAL, finding.urgency, Flag.ABNORMAL)
    return Judgement(judged.meaning, worst(judged.urgency, finding.urgency), judged.flag, judged.band)


def _judge(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, exact: Decimal | None) -> Judgement | None:
    if isinstance(finding.value, Quantities):
        parts = [
            component_judgement(finding, component_id, value, item, exam, catalogue)
            for component_id, value in component_numbers(finding.value, item, catalogue).items()
        ]
        known = [part for part in parts if part is not None]
        return max(known, key=lambda part: _ORDER.index(part.urgency)) if known else None
    if isinstance(finding.value, At):
        return _by_range(age_hours(exam, finding.value.time), None, finding, item, exam, catalogue)
    value = number(finding, item, catalogue) if exact is None else exact
    if value is None:
        return None
    if isinstance(finding.value, Quantity) and finding.value.comparator is not None:
        return _by_open_end(value, finding.value.comparator, _applicable(finding, item, exam, catalogue))
    return _by_range(value, None, finding, item, exam, catalogue)


@lru_cache(maxsize=16)
def meanings(catalogue: Catalogue) -> dict[tuple[str, str], Judgement]:
    """The judgement on each answer of each item."""
    return {
        (item.id, answer.id): Judgement(
            answer.meaning, answer.urgency, Flag.ABNORMAL if answer.meaning is Meaning.ABNORMAL else Flag.NORMAL
        )
        for item in catalogue.items.values()
        for answer in item.answers
    }


def _by_open_end(value: Decimal, comparator: Comparator, bands: tuple[Range, ...]) -> Judgement | None:
    """The judgement on ``<40``: that of the one band that holds all it allows, where no band before it does.

    Where several bands hold it together and all are abnormal, the least urgent is what can be said for sure.
    """
    end = Bound.model_construct(comparator=comparator.value, value=value)
    below = comparator.value[0] == "<"
    allowed = Span.model_construct(low=None if below else end, high=end if below else None)
    touched = [band for band in bands if _meet(allowed, band)]
    whole = next((band for band in touched if _inside(allowed, band)), None)
    if whole is not None and whole is touched[0]:
        return _by(whole)
    if all(band.meaning is Meaning.ABNORMAL for band in touched) and _cover(touched, allowed):
        least = min(touched, key=lambda band: _ORDER.index(band.urgency))
        return _by(least)
    return None


def _cover(bands: list[Range], span: Span) -> bool:
    """Whether every number of the span lies in one of the bands."""
    if not bands:
        return False
    ordered = sorted(bands, key=lambda band: band.low.value if band.low else Decimal("-Infinity"))
    ends = Span(low=ordered[0].low, high=ordered[-1].high)
    return _inside(span, ends) and all(_adjoin(one.high, other.low) for one, other in pairwise(ordered))


def _adjoin(high: Bound | None, low: Bound | None) -> bool:
    if high is None or low is None:
        return True
    return high.value > low.value or (high.value == low.value and ("=" in high.comparator or "=" in low.comparator))


def _meet(one: Span, other: Span) -> bool:
    """Whether some number lies in both."""
    return _reaches(one.high, other.low) and _reaches(other.high, one.low)


def _reaches(high: Bound | None, low: Bound | None) -> bool:
    if high is None or low is None:
        return True
    return high.value > low.value or (high.value == low.value and high.comparator == "<=" and low.comparator == ">=")


def _inside(inner: Span, outer: Span) -> bool:
    """Whether all numbers of the inner span lie in the outer one."""
    low = outer.low is None or (inner.low is not None and _tighter(inner.low, outer.low, 1))
    high = outer.high is None or (inner.high is not None and _tighter(inner.high, outer.high, -1))
    return low and high


def _tighter(inner: Bound, outer: Bound, way: int) -> bool:
    if inner.value != outer.value:
        return (inner.value - outer.value) * way > 0
    return "=" in outer.comparator or "=" not in inner.comparator


def component_numbers(value: Quantities, item: Item, catalogue: Catalogue) -> dict[str, Decimal]:
    """The numbers of a measurement that has several, in the item's unit."""
    wanted, unit = item.unit or value.unit, catalogue.units.find(value.unit)
    if unit is not None and unit.ucum == wanted:
        return value.components
    return {
        component_id: catalogue.units.convert(Quantity(value=number, unit=value.unit), wanted)
        for component_id, number in value.components.items()
    }


def component_judgement(
    finding: Finding, component_id: str, value: Decimal, item: Item, exam: Exam, catalogue: Catalogue
) -> Judgement | None:
    """The judgement on one number of a measurement that has several; the value is in the item's unit."""
    return _by_range(value, component_id, finding, item, exam, catalogue)


def _by_range(
    value: Decimal, component: str | None, finding: Finding, item: Item, exam: Exam, catalogue: Catalogue
) -> Judgement | None:
    """The judgement by the first range that applies and holds the value."""
    for band in bands(catalogue).get((item.id, component), ()):
        if band.holds(value) and band.applies(finding, item, exam):
            return _by(band.range)
    return None


def _by(band: Range) -> Judgement:
    return Judgement(band.meaning, band.urgency, band.flag, band)


def _applicable(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue) -> tuple[Range, ...]:
    """The item's ranges whose conditions hold for this finding, in their order."""
    known = bands(catalogue).get((item.id, None), ())
    return tuple(band.range for band in known if band.applies(finding, item, exam))


def expected_range(
    finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, component: str | None = None
) -> Range | None:
    """The first of the applicable ranges that says what is expected."""
    for band in bands(catalogue).get((item.id, component), ()):
        if band.expected and band.applies(finding, item, exam):
            return band.range
    return None
