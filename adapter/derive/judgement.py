"""What a finding means and how soon to tell: an answer by its meaning, a number by the applicable range."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

from adapter.catalogue import Answer, Catalogue, Flag, Item, Meaning, Range, Words
from adapter.derive.age import age_hours
from adapter.derive.bands import Band, bands
from adapter.derive.compiled import compiled
from adapter.derive.machine import Test, every, span
from adapter.derive.numbers import component_numbers, number
from adapter.derive.unjudged import unjudged_because
from adapter.exam import At, Comparator, Exam, Finding, Quantities, Quantity, Score, Urgency

_ORDER = tuple(Urgency)
_FROM_THE_MOST = _ORDER[::-1]


class Judgement(NamedTuple):
    """The meaning of a finding, its urgency, and the range that decided where it is a number.

    ``counted``: of an answer that is not true of this infant, the one that it counts as; empty where none is named.
    """

    meaning: Meaning
    urgency: Urgency
    flag: Flag
    band: Range | None = None
    counted: str | None = None


def worst(*urgencies: Urgency | None) -> Urgency:
    """The most urgent of several."""
    for urgency in _FROM_THE_MOST:
        if urgency in urgencies:
            return urgency
    return Urgency.NONE


def judge(
    finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, exact: Decimal | None = None
) -> Judgement | None:
    """The judgement on one finding, or None where nothing is known that would judge it.

    The examiner's own urgency raises what the catalogue says. A moment is judged by the hours of life at it. A value
    with a comparator (``<40``) is judged by what is sure of all that it allows. ``exact`` is the unrounded value of
    a computed one.
    """
    if type(finding.value) is str:
        judged = meanings(catalogue).get((item.id, finding.value)) or _by_answer(finding, item, exam, catalogue)
    else:
        judged = _judge(finding, item, exam, catalogue, exact)
    if finding.urgency is None or finding.not_examined is not None:
        return judged
    if judged is None:
        return Judgement(Meaning.ABNORMAL, finding.urgency, Flag.ABNORMAL)
    return judged._replace(urgency=worst(judged.urgency, finding.urgency))


def _judge(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, exact: Decimal | None) -> Judgement | None:
    if isinstance(finding.value, Quantities):
        parts = [
            component_judgement(finding, component_id, value, item, exam, catalogue)
            for component_id, value in component_numbers(finding.value, item, catalogue).items()
        ]
        known = [part for part in parts if part is not None]
        if len(known) < len(parts) and all(part.meaning is not Meaning.ABNORMAL for part in known):
            return None
        return max(known, key=lambda part: _ORDER.index(part.urgency)) if known else None
    if isinstance(finding.value, At):
        return _by_range(age_hours(exam, finding.value.time), None, finding, item, exam, catalogue)
    value = number(finding, item, catalogue) if exact is None else exact
    if value is None:
        return None
    if isinstance(finding.value, Quantity) and finding.value.comparator is not None:
        judged = _by_open_end(value, finding.value.comparator, _applicable(finding, item, exam, catalogue))
        return _unless(judged, finding, item, exam, catalogue)
    return _by_range(value, None, finding, item, exam, catalogue)


@lru_cache(maxsize=16)
def meanings(catalogue: Catalogue) -> dict[tuple[str, str], Judgement]:
    """The judgement on each answer of each item that is true of any infant."""
    return {
        (item.id, answer.id): _of_answer(answer)
        for item in catalogue.items.values()
        for answer in item.answers
        if answer.when is None
    }


def _of_answer(answer: Answer, counted: str | None = None) -> Judgement:
    flag = Flag.ABNORMAL if answer.meaning is Meaning.ABNORMAL else Flag.NORMAL
    return Judgement(answer.meaning, answer.urgency, flag, None, counted)


def _by_answer(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue) -> Judgement | None:
    """The judgement on an answer that is true of some infants alone: of another, that on what it counts as."""
    asked, given = _conditions(catalogue)[item.id], finding.answer
    while given in asked:
        otherwise, holds = asked[given]
        if holds is None or holds(finding, item, exam, None, None):
            break
        given = otherwise
    if not given:
        return Judgement(Meaning.ABNORMAL, Urgency.TELL, Flag.ABNORMAL, None, "")
    answer = item.answer(given)
    return None if answer is None else _of_answer(answer, given if given != finding.answer else None)


@lru_cache(maxsize=16)
def _conditions(catalogue: Catalogue) -> dict[str, dict[str, tuple[str, Test | None]]]:
    """Of each item the answers that are true of some infants alone: what each counts as else, and when it is true."""
    tables = compiled(catalogue).answers
    return {
        item: {a: (other, every(tests, catalogue)) for a, (other, tests) in tables.get(item, {}).items()}
        for item in catalogue.items
    }


def judged_as(
    finding: Finding, item: Item, judged: Judgement | None, words: Words, *, within: bool = False
) -> str | None:
    """What an answer that is not true of this infant was judged as, in words; None where it is as it was given.

    ``within``: as it is written within a sentence.
    """
    if judged is None or judged.counted is None:
        return None
    said, other = item.answer(finding.answer or ""), item.answer(judged.counted)
    label, form = said.label if said else finding.answer or "", "_within" if within else ""
    if other is None:
        return words.say(f"judged.as_abnormal{form}", answer=label)
    return words.say(f"judged.as_answer{form}", other=other.label, answer=label)


def _by_open_end(value: Decimal, comparator: Comparator, bands: Sequence[Band]) -> Judgement | None:
    """The judgement on ``<40``: that of the one band that holds all it allows.

    Where several bands hold it together and all are abnormal, the least urgent is what can be said for sure.
    """
    allowed = span(*(("", f"{comparator}{value}") if comparator[0] == "<" else (f"{comparator}{value}", "")))
    ends = {value, *(end for band in bands for end in band.ends)}
    found = {_first(bands, one) for one in _samples(ends) if allowed(one)}
    held = [band for band in bands if band in found]
    if None in found or (len(held) > 1 and any(band.range.meaning is not Meaning.ABNORMAL for band in held)):
        return None
    return _by(min(held, key=lambda band: _ORDER.index(band.range.urgency)).range)


def _samples(ends: set[Decimal]) -> list[Decimal]:
    """Every end, and a number from between each two and from beyond: between them nothing changes."""
    ordered = sorted(ends)
    between = [(low + high) / 2 for low, high in pairwise(ordered)]
    return sorted([ordered[0] - 1, *ordered, *between, ordered[-1] + 1])


def _first(bands: Sequence[Band], value: Decimal) -> Band | None:
    return next((band for band in bands if band.holds(value)), None)


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
            return _unless(_by(band.range), finding, item, exam, catalogue)
    return None


def _unless(
    judged: Judgement | None, finding: Finding, item: Item, exam: Exam, catalogue: Catalogue
) -> Judgement | None:
    """The judgement by a range; one that is no alarm only where nothing says that its ranges do not apply."""
    if judged is None or judged.meaning is Meaning.ABNORMAL or judged.urgency is not Urgency.NONE:
        return judged
    return None if unjudged_because(finding, item, exam, catalogue) is not None else judged


def _by(band: Range) -> Judgement:
    return Judgement(band.meaning, band.urgency, band.flag, band)


def _applicable(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue) -> list[Band]:
    """The item's ranges whose conditions hold for this finding, in their order."""
    return [band for band in bands(catalogue).get((item.id, None), ()) if band.applies(finding, item, exam)]


def expected_range(
    finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, component: str | None = None
) -> Range | None:
    """The first of the applicable ranges that says what is expected; None where none may say it."""
    if unjudged_because(finding, item, exam, catalogue) is not None:
        return None
    for band in bands(catalogue).get((item.id, component), ()):
        if band.range.meaning is Meaning.EXPECTED and band.applies(finding, item, exam):
            return band.range
    return None


def usually_expected(item: Item, catalogue: Catalogue) -> Range | None:
    """The range of the item's one number that :func:`expected_range` gives wherever it was the one that judged: the
    first that says what is expected. None where it is told besides: such a one judges also where none may say so."""
    return _first_expected(catalogue).get(item.id)


@lru_cache(maxsize=16)
def _first_expected(catalogue: Catalogue) -> dict[str, Range]:
    found = {
        item: next((one.range for one in several if one.range.meaning is Meaning.EXPECTED), None)
        for (item, component), several in bands(catalogue).items()
        if component is None
    }
    return {item: first for item, first in found.items() if first is not None and first.urgency is Urgency.NONE}


def not_judged(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue) -> str | None:
    """Why a finding that was examined has no judgement, in words; None where it has one, or where a screen, an
    estimate or a growth reference judges it in its stead."""
    if judge(finding, item, exam, catalogue) is not None:
        return None
    return why_not_judged(finding, item, exam, catalogue)


def why_not_judged(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue) -> str | None:
    """The same of a finding of which it is known that it has no judgement."""
    value, words = finding.value, catalogue.words
    if finding.not_examined is not None or type(value) is str or finding.urgency is not None:
        return None
    if value is None:
        return None if item.computed else words.say("unjudged.in_words")
    if item.id in _judged_elsewhere(catalogue):
        return None
    if not item.ranges:
        return words.say("unjudged.no_range")
    reason = unjudged_because(finding, item, exam, catalogue)
    if reason is not None:
        return reason
    if item.chart:
        return words.say("unjudged.chart")
    if isinstance(value, Quantities):
        numbers = component_numbers(value, item, catalogue).items()
        missed = [n for n, v in numbers if component_judgement(finding, n, v, item, exam, catalogue) is None]
        labels = [part.inline if (part := item.component(name)) else name for name in missed]
        return words.say("unjudged.part", parts=words.listed(labels))
    if isinstance(value, Score) and number(finding, item, catalogue) is None:
        return words.say("unjudged.no_total")
    if isinstance(value, Quantity) and value.comparator is not None:
        return words.say("unjudged.open_end")
    return words.say("unjudged.value")


@lru_cache(maxsize=16)
def _judged_elsewhere(catalogue: Catalogue) -> frozenset[str]:
    """Items whose numbers are judged by what is computed from them."""
    scores = {table.score for table in catalogue.estimates.values()} | {t.item for t in catalogue.estimates.values()}
    plain = {item.id for item in catalogue.items.values() if item.computed and not item.ranges}
    return frozenset({*scores, *plain, catalogue.screening.readings})
