"""What became of a line of an earlier exam that the last exam has no more.

It is resolved by what was seen, never by the clock: where a rule's hours are over, and all that it rests on, seen
again, would have made it hold then, it is still so. What nobody looked at again is still to be told.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from adapter.catalogue import Catalogue, Item, Rule
from adapter.derive.age import made_at
from adapter.derive.computed import computed_findings
from adapter.derive.finding import FindingView
from adapter.derive.tell import Tell
from adapter.exam import Exam, Finding, Side, Telling


class Standing(StrEnum):
    """How a line of the last exam stands to the exams before it."""

    NEW = "new"
    WORSE = "worse"
    STILL = "still so"
    NOT_JUDGED = "looked at again, not judged"
    NOT_LOOKED_AT = "not looked at again"
    OVER = "its hours are over"
    RESOLVED = "resolved"


ENDED = (Standing.OVER, Standing.RESOLVED)
"""Of a line that need not be told any more, and is only worth knowing."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One exam of a series: its findings, the lines of its list, and who was told of each."""

    exam: Exam
    findings: Sequence[FindingView]
    tells: Sequence[Tell]
    told: Sequence[tuple[Telling, ...]]


Place = tuple[str, Side | None, str | None]
"""What a finding is of: the item, the side, and where the item is examined at each site the site."""
BY_RULE = ("cross_finding", "side_difference")
"""Items whose line is of the rule or the comparison that holds."""


class _Seen(NamedTuple):
    """A captured finding that a line rests on: its exam's place in the series, and its own there."""

    exam: int
    number: int
    finding: Finding
    item: Item


def outcome(line: Tell, number: int, series: Sequence[Judged], catalogue: Catalogue) -> Standing:
    """How a line of the exam of that number stands after the last, which has it no more.

    Resolved only where all that it rests on was seen again, each finding after the exam that made it, and found
    otherwise; what lasts (a risk, the birth weight) need not be seen again.
    """
    rests_on = _last_of_each(_rests_on(line, number, series, catalogue), series)
    rule = catalogue.rules.get(line.rule) if line.item.id in BY_RULE else None
    if rests_on and all(one.item.lasting for one in rests_on):
        return _of_what_lasts(rule, number, series)
    again = [(one, _seen_after(one, series)) for one in rests_on if not one.item.lasting]
    if not again or not all(views for _, views in again) or line.item.id == catalogue.screening.item:
        return Standing.NOT_LOOKED_AT
    if any(view.not_judged is not None for _, views in again for view in views):
        return Standing.NOT_JUDGED
    if (
        rule is not None
        and not _answered(rule, number, series)
        and _would_hold(rule, number, again, series, catalogue)
    ):
        return Standing.STILL
    return Standing.RESOLVED


def below(line: Tell, of: Judged) -> Iterator[FindingView]:
    """The findings that a line rests on, and those that these were computed from."""
    waiting, seen = [*line.rests_on], set[int]()
    while waiting:
        if (index := waiting.pop()) not in seen:
            seen.add(index)
            view = of.findings[index]
            waiting += view.rests_on
            yield view


def place(item: Item, finding: Finding) -> Place:
    """What a finding is of."""
    return item.id, finding.side, finding.site if item.each_site else None


def _rests_on(line: Tell, number: int, series: Sequence[Judged], catalogue: Catalogue) -> Iterator[_Seen]:
    """The captured findings that a line rests on, of its own exam and of earlier ones."""
    order = {one.exam.details.id: n for n, one in enumerate(series)}
    for view in below(line, series[number]):
        if view.computed is None:
            yield _Seen(number, view.index, view.finding, view.item)
            continue
        for known in view.computed.earlier:
            if known.exam in order:
                yield _Seen(order[known.exam], known.number, known.finding, catalogue.items[known.finding.item])


def _last_of_each(rests_on: Iterator[_Seen], series: Sequence[Judged]) -> list[_Seen]:
    """Of what was found several times at one place the last: what came before is what it was held against."""
    timed = sorted(rests_on, key=lambda one: made_at(one.finding, one.item, series[one.exam].exam))
    return list({place(one.item, one.finding): one for one in timed}.values())


def _seen_after(one: _Seen, series: Sequence[Judged]) -> list[FindingView]:
    """What was last seen of the same after that exam: all that one exam says of it."""
    where = place(one.item, one.finding)
    for later in series[: one.exam : -1]:
        views = [view for view in later.findings if view.examined and place(view.item, view.finding) == where]
        if views:
            return views
    return []


def _would_hold(
    rule: Rule,
    number: int,
    again: Sequence[tuple[_Seen, Sequence[FindingView]]],
    series: Sequence[Judged],
    catalogue: Catalogue,
) -> bool:
    """Whether a rule would have held in the exam of that number by what was last seen of the same findings."""
    exams = [one.exam for one in series[: number + 1]]
    for place_in_series in {was.exam for was, _ in again}:
        exam = exams[place_in_series]
        seen = {was.number: views for was, views in again if was.exam == place_in_series}
        findings = (
            view.finding.model_copy(update={"observed_at": one.observed_at})
            for n, one in enumerate(exam.findings)
            for view in seen.get(n) or ()
        )
        kept = (one for n, one in enumerate(exam.findings) if n not in seen)
        exams[place_in_series] = exam.model_copy(update={"findings": (*kept, *findings)})
    made = computed_findings(exams[-1], catalogue, exams[:-1])
    return any(one.maker is not None and one.maker.id == rule.id for one in made)


def _of_what_lasts(rule: Rule | None, number: int, series: Sequence[Judged]) -> Standing:
    """What was found at birth is still so. A rule on what lasts was asked again, and does not hold any more: its
    hours are over, or what it asks for was recorded since; where only the former, that is still not known."""
    if rule is None:
        return Standing.STILL
    if _answered(rule, number, series):
        return Standing.RESOLVED
    return Standing.NOT_LOOKED_AT if any(_asks_for(rule)) else Standing.OVER


def _asks_for(rule: Rule) -> Iterator[tuple[str, tuple[str, ...]]]:
    """The items, and where not any will do their answers, that once recorded answer a rule."""
    yield from ((item, ()) for item in rule.answered_by)
    yield from ((leaf.item or "", leaf.answers) for leaf in rule.when.leaves() if leaf.never or leaf.not_recorded)


def _answered(rule: Rule, number: int, series: Sequence[Judged]) -> bool:
    """Whether what a rule asks for was recorded after the exam of that number."""
    asked = list(_asks_for(rule))
    return any(
        view.examined and view.item.id == item and (not answers or view.finding.answer in answers)
        for one in series[number + 1 :]
        for view in one.findings
        for item, answers in asked
    )
