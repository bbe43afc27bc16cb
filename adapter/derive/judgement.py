"""What a finding means and how soon to tell: an answer by its meaning, a number by the applicable range."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from adapter.catalogue import Catalogue, Condition, Flag, Item, ItemType, Meaning, Range
from adapter.derive.age import age_hours, gestation_weeks, made_at
from adapter.derive.computed import score_total
from adapter.exam import Exam, Finding, Quantities, Quantity, Score, Urgency

_ORDER = (Urgency.NONE, Urgency.TELL, Urgency.TELL_NOW)


@dataclass(frozen=True, slots=True)
class Judgement:
    """The meaning of a finding, its urgency, and the range that decided where it is a number."""

    meaning: Meaning
    urgency: Urgency
    flag: Flag
    band: Range | None = None


def worst(*urgencies: Urgency | None) -> Urgency:
    """The most urgent of several."""
    return max((u for u in urgencies if u is not None), key=_ORDER.index, default=Urgency.NONE)


def number(finding: Finding, item: Item, catalogue: Catalogue) -> Decimal | None:
    """The finding's one number in the item's unit (a score's total), or None where it has none."""
    value = finding.value
    if isinstance(value, Quantity) and item.type is ItemType.QUANTITY and item.unit:
        return catalogue.units.convert(value, item.unit)
    if isinstance(value, Score):
        return _total(value, item)
    return None


def _total(score: Score, item: Item) -> Decimal | None:
    total = score_total(score, {s.id: {a.id: a.points for a in s.answers} for s in item.signs})
    return None if total is None else Decimal(total)


def judge(
    finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, exact: Decimal | None = None
) -> Judgement | None:
    """The judgement on one finding, or None where nothing is known that would judge it.

    The examiner's own urgency raises what the catalogue says. A value with a comparator (``<40``) is judged
    only where the whole of what it allows lies in one range. ``exact`` is the unrounded value of a computed one.
    """
    judged = _judge(finding, item, exam, catalogue, exact)
    if finding.urgency is None or finding.not_examined is not None:
        return judged
    if judged is None:
        return Judgement(Meaning.ABNORMAL, finding.urgency, Flag.ABNORMAL)
    return Judgement(judged.meaning, worst(judged.urgency, finding.urgency), judged.flag, judged.band)


def _judge(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, exact: Decimal | None) -> Judgement | None:
    if finding.answer is not None:
        answer = item.answer(finding.answer)
        if answer is None:
            return None
        flag = Flag.ABNORMAL if answer.meaning is Meaning.ABNORMAL else Flag.NORMAL
        return Judgement(answer.meaning, answer.urgency, flag)
    if isinstance(finding.value, Quantities):
        parts = [
            component_judgement(finding, component_id, value, item, exam)
            for component_id, value in component_numbers(finding.value, item, catalogue).items()
        ]
        known = [part for part in parts if part is not None]
        return max(known, key=lambda part: _ORDER.index(part.urgency)) if known else None
    value = number(finding, item, catalogue) if exact is None else exact
    if value is None:
        return None
    if isinstance(finding.value, Quantity) and finding.value.comparator is not None:
        return None
    return _by_range(value, None, finding, item, exam)


def component_numbers(value: Quantities, item: Item, catalogue: Catalogue) -> dict[str, Decimal]:
    """The numbers of a measurement that has several, in the item's unit."""
    return {
        component_id: catalogue.units.convert(Quantity(value=number, unit=value.unit), item.unit or value.unit)
        for component_id, number in value.components.items()
    }


def component_judgement(
    finding: Finding, component_id: str, value: Decimal, item: Item, exam: Exam
) -> Judgement | None:
    """The judgement on one number of a measurement that has several; the value is in the item's unit."""
    return _by_range(value, component_id, finding, item, exam)


def _by_range(value: Decimal, component: str | None, finding: Finding, item: Item, exam: Exam) -> Judgement | None:
    for band in applicable(finding, item, exam, component):
        if band.holds(value):
            return Judgement(band.meaning, band.urgency, band.flag, band)
    return None


def applicable(finding: Finding, item: Item, exam: Exam, component: str | None = None) -> tuple[Range, ...]:
    """The item's ranges whose conditions hold for this finding, in their order."""
    return tuple(b for b in item.ranges if b.component == component and _holds(b.when, finding, item, exam))


def _holds(when: Condition, finding: Finding, item: Item, exam: Exam) -> bool:
    """Whether all conditions hold; one that asks for what is not known does not hold."""
    if when.states and finding.state not in when.states:
        return False
    if when.sites and (finding.site or item.body_site) not in when.sites:
        return False
    if when.methods and (finding.method or item.method) not in when.methods:
        return False
    if when.sex is not None and exam.newborn.sex != when.sex:
        return False
    if when.age_hours is not None and not when.age_hours.holds(age_hours(exam, made_at(finding, item, exam))):
        return False
    if when.gestation_weeks is not None:
        weeks = gestation_weeks(exam)
        return weeks is not None and when.gestation_weeks.holds(weeks)
    return True
