"""The oxygen saturation screen for critical congenital heart disease, by the version that the site has chosen."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from adapter.catalogue import Catalogue, Screening
from adapter.derive.age import age_hours, made_at
from adapter.derive.made import Computed, Withheld
from adapter.derive.makers import by_rule
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


def screen(exam: Exam, catalogue: Catalogue) -> Iterator[Computed | Withheld]:
    """The result of the exam's screening attempts, where nobody captured one that is as grave.

    A captured result is never replaced; a milder one than its readings give stands beside what they give.
    """
    rule = catalogue.screening
    taken = [
        (i, f) for i, f in enumerate(exam.findings) if f.item == rule.readings and isinstance(f.value, Quantities)
    ]
    if not taken:
        return
    item, label = catalogue.items[rule.readings], catalogue.items[rule.item].label
    taken.sort(key=lambda one: (made_at(one[1], item, exam), one[0]))
    due = [(i, f) for i, f in taken if age_hours(exam, made_at(f, item, exam)) >= rule.from_hours]
    early = [(i, f) for i, f in taken if (i, f) not in due]
    # A very low reading fails at any age; otherwise what was read too early counts for nothing.
    counted = due or [(i, f) for i, f in early if screened([attempt_of(f, catalogue)], rule) is Outcome.FAIL]
    outcome = screened([attempt_of(finding, catalogue) for _, finding in counted], rule)
    if outcome is None:
        why = "incomplete, a reading is missing" if due else f"read before {rule.from_hours:f} h of life"
        yield Withheld(rule.item, label, f"no result: {why}")
        return
    captured = {finding.answer for finding in exam.findings if finding.item == rule.item}
    if captured & set(_GRAVER[_GRAVER.index(outcome) :]):
        return
    made = Finding(item=rule.item, value=outcome.value, observed_at=made_at(counted[-1][1], item, exam))
    yield Computed(made, tuple(index for index, _ in counted), None, by_rule(rule, catalogue))


def attempt_of(finding: Finding, catalogue: Catalogue) -> Attempt:
    """The readings of one captured attempt."""
    value = finding.value
    assert isinstance(value, Quantities)
    return Attempt(value.components.get("preductal"), value.components.get("postductal"))
