"""The oxygen saturation screen for critical congenital heart disease, by the version that the site has chosen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from enum import StrEnum

from adapter.catalogue import Catalogue, Item, Screening
from adapter.derive.age import age_hours, made_at
from adapter.derive.made import Computed, Earlier, Withheld
from adapter.derive.makers import by_rule
from adapter.derive.unjudged import unjudged_because
from adapter.exam import Exam, Finding, Quantities


class Outcome(StrEnum):
    """The state of the screen after its attempts; the values are answers of the catalogue's item."""

    PASS = "pass"  # noqa: S105 (an outcome)
    REPEAT = "repeat_in_1h"
    FAIL = "fail"


_GRAVER = (Outcome.PASS, Outcome.REPEAT, Outcome.FAIL)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One pair of readings in percent: right hand (before the duct) and a foot (after it); None where not taken."""

    hand: Decimal | None
    foot: Decimal | None


def screened(attempts: Sequence[Attempt], rule: Screening) -> Outcome | None:
    """The outcome of attempts in the order of time; None while no attempt is complete.

    A reading under the line fails at once, even alone. An incomplete attempt otherwise counts for nothing. After a
    pass, a further attempt begins the screen anew; a fail stays one.
    """
    outcome: Outcome | None = None
    tried = 0
    for attempt in attempts:
        readings = [r for r in (attempt.hand, attempt.foot) if r is not None]
        if any(reading < rule.fail_below for reading in readings):
            return Outcome.FAIL
        if len(readings) < 2:
            continue
        if _passes(readings, rule):
            outcome, tried = Outcome.PASS, 0
            continue
        tried += 1
        if tried >= rule.attempts:
            return Outcome.FAIL
        outcome = Outcome.REPEAT
    return outcome


def _passes(readings: Sequence[Decimal], rule: Screening) -> bool:
    high = [reading >= rule.pass_from for reading in readings]
    enough = any(high) if rule.places == "either" else all(high)
    return enough and abs(readings[0] - readings[1]) <= rule.difference


def screen(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Iterator[Computed | Withheld]:
    """The result of the screening attempts in this exam and the earlier ones, where nobody captured one as grave.

    A captured result is never replaced; a milder one than its readings give stands beside what they give. A very low
    reading fails at any age, and no later attempt takes that back: a person must.
    """
    rule = catalogue.screening
    item, label, words = catalogue.items[rule.readings], catalogue.items[rule.item].label, catalogue.words
    taken = [*_taken(exam, item, catalogue)]
    if not taken:
        return
    for one in earlier:
        taken += _taken(one, item, catalogue, earlier=True)
    taken.sort(key=lambda one: (one.at, one.earlier is None, one.index))
    failed = [one for one in taken if screened([one.attempt], rule) is Outcome.FAIL]
    due = [one for one in taken if age_hours(exam, one.at) >= rule.from_hours]
    counted = [one for one in taken if one in due or one in failed]
    outcome = screened([one.attempt for one in counted], rule)
    if outcome is None:
        early = words.say("computed.too_early", hours=rule.from_hours)
        why = words.say("computed.reading_missing") if due else early
        yield Withheld(rule.item, label, words.say("computed.no_result", why=why))
        return
    if outcome is not Outcome.FAIL and (why_not := _in_oxygen(exam, rule, catalogue)) is not None:
        yield Withheld(rule.item, label, words.say("computed.no_result", why=why_not))
        return
    captured = {finding.answer for finding in exam.findings if finding.item == rule.item}
    if captured & set(_GRAVER[_GRAVER.index(outcome) :]):
        return
    made = Finding(item=rule.item, value=outcome.value, observed_at=counted[-1].at)
    if counted[-1].earlier is not None:  # the last that counts is of an earlier exam: the result is of this one
        made = Finding(item=rule.item, value=outcome.value)
    here = tuple(one.index for one in taken if one.earlier is None)
    own = tuple(one.index for one in counted if one.earlier is None) or here
    before = tuple(one.earlier for one in counted if one.earlier is not None)
    yield Computed(made, own, None, by_rule(rule, catalogue), earlier=before)


def _in_oxygen(exam: Exam, rule: Screening, catalogue: Catalogue) -> str | None:
    """Why readings of this exam may not pass the screen: it is of infants who breathe air."""
    item = catalogue.items[rule.readings]
    own = (finding for finding in exam.findings if finding.item == rule.readings)
    return next((why for one in own if (why := unjudged_because(one, item, exam, catalogue)) is not None), None)


@dataclass(frozen=True, slots=True)
class _Taken:
    """One attempt: when, which finding of its exam, its readings; where it is of an earlier exam, that finding."""

    at: datetime
    index: int
    attempt: Attempt
    earlier: Earlier | None = None


def _taken(exam: Exam, item: Item, catalogue: Catalogue, *, earlier: bool = False) -> Iterator[_Taken]:
    for index, finding in enumerate(exam.findings):
        if finding.item == item.id and isinstance(finding.value, Quantities):
            known = Earlier(exam.details.id, index, finding) if earlier else None
            yield _Taken(made_at(finding, item, exam), index, attempt_of(finding, catalogue), known)


def attempt_of(finding: Finding, catalogue: Catalogue) -> Attempt:
    """The readings of one captured attempt."""
    value = finding.value
    assert isinstance(value, Quantities)
    return Attempt(value.components.get("preductal"), value.components.get("postductal"))
