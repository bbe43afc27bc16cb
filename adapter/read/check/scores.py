"""Scored instruments and screens: known signs and answers, a total or result that agrees with what it is made of."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.derive import Computed
from adapter.derive.scores import slots
from adapter.derive.screening import screen
from adapter.exam import Exam, Quantities, Score
from adapter.problems import Problem
from adapter.read.check.answers import fits
from adapter.read.check.subject import Placed, Subject
from adapter.read.wording import listed, one_of, shown


def check_scores(subject: Subject) -> Iterator[Problem]:
    """Unknown signs and answers, totals that their signs cannot give."""
    for placed in subject.findings:
        value = placed.finding.value
        if isinstance(value, Score) and fits(value, placed.item):
            problems = list(_signs(placed, value))
            yield from problems
            if not problems and value.total is not None:
                yield from _total(placed, value, value.total)


def check_screen(subject: Subject) -> Iterator[Problem]:
    """A captured result of the oxygen saturation screen that its captured readings cannot give."""
    rule, details, newborn = subject.catalogue.screening, subject.details, subject.newborn
    results = [p for p in subject.findings if p.item.id == rule.item and p.finding.answer is not None]
    taken = [p for p in subject.findings if p.item.id == rule.readings and isinstance(p.finding.value, Quantities)]
    if len(results) != 1 or not taken or details is None or newborn is None:
        return
    exam = Exam(details=details, newborn=newborn, findings=tuple(p.finding for p in taken))
    made = next((one for one in screen(exam, subject.catalogue) if isinstance(one, Computed)), None)
    if made is not None and made.finding.answer != results[0].finding.answer:
        yield results[0].error(
            "value",
            "result-not-of-readings",
            f"the result {shown(results[0].finding.answer)} is not what the readings give by {rule.label}",
            f"{made.finding.answer}; check the readings, their order in time, and which rule is in force",
        )


def _signs(placed: Placed, value: Score) -> Iterator[Problem]:
    item = placed.item
    for name, answer in value.signs.items():
        sign = item.sign(name)
        field = f"value/signs/{name}"
        if sign is None:
            known = [s.id for s in item.signs]
            remedy = one_of(name, known) if known else "the total alone; this score has no signs here"
            yield placed.error(field, "unknown-sign", f"{item.id} has no sign {shown(name)}", remedy)
        elif not any(a.id == answer for a in sign.answers):
            yield placed.error(
                field,
                "unknown-sign-answer",
                f"sign {name} of {item.id} has no answer {shown(answer)}",
                one_of(answer, [a.id for a in sign.answers]),
            )
    for signs in slots(item):
        given = [sign.id for sign in signs if sign.id in value.signs]
        if len(given) > 1:
            what = f"{listed(given)} are answered, and only one of them counts"
            yield placed.error("value/signs", "one-sign-of-group", what, "the one that is of this infant")


def _total(placed: Placed, value: Score, total: int) -> Iterator[Problem]:
    item = placed.item
    if item.signs:
        low = high = 0
        for signs in slots(item):
            points = [a.points for s in signs for a in s.answers]
            given = [a.points for s in signs for a in s.answers if value.signs.get(s.id) == a.id]
            low, high = low + min(given or points), high + max(given or points)
        if value.signs and not low <= total <= high:
            can = f"{low}" if low == high else f"{low} to {high}"
            yield placed.error(
                "value/total",
                "total-not-of-signs",
                f"the total {total} is not what the signs give: {can}",
                f"{can}; check each sign ({listed(value.signs)}) and the total against the sheet",
            )
            return
    elif item.limits is not None:
        low, high = int(item.limits.possible[0]), int(item.limits.possible[1])
    else:
        return
    if not low <= total <= high:
        yield placed.error(
            "value/total",
            "impossible-total",
            f"a total of {total} cannot be",
            f"a whole number from {low} to {high}",
        )
