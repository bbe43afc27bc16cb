"""Exams made from a rule's own condition, so that a site can be shown each of its rules at work; all invented.

A *way* is a set of leaves that, all holding, make the condition hold. What makes a leaf hold is made from what it
asks: the answers that it names or means, a number within its span or its range, a gap with its reason.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from itertools import chain, islice, pairwise
from typing import NamedTuple

from adapter.catalogue import Catalogue, Item, ItemType, Rule, Sides, Span, When
from adapter.catalogue.model import Limits
from adapter.derive.computed import computed_findings
from adapter.derive.every_use import BORN
from adapter.derive.judgement import judge
from adapter.exam import (
    At,
    Exam,
    ExamDetails,
    Examiner,
    Finding,
    Gestation,
    Identifier,
    Newborn,
    Quantities,
    Quantity,
    Score,
    Sex,
    Side,
)

_TENTH = Decimal("0.1")
_MOST = 60
"""So many ways are tried of a rule: a condition of many leaves has thousands."""


@dataclass(frozen=True, slots=True)
class Asked:
    """One leaf, with a single one of its answers, and the side that it is asked of."""

    leaf: When
    side: Side | None = None


Way = tuple[Asked, ...]


class Played(NamedTuple):
    """An exam in which a rule holds, judged with the earlier ones that it asks for."""

    exam: Exam
    earlier: tuple[Exam, ...] = ()


def exam_of(rule: Rule, catalogue: Catalogue) -> Played | None:
    """An exam in which the rule holds; None where none could be made, which speaks for a rule that cannot hold."""
    for way in islice(ways(rule.when), _MOST):
        played = _exam(rule, way, catalogue)
        if played is not None and rule.id in held(played, catalogue):
            return played
    return None


def held(played: Played, catalogue: Catalogue) -> set[str]:
    """The ids of the rules that hold in an exam."""
    computed = computed_findings(played.exam, catalogue, played.earlier)
    return {one.maker.id for one in computed if one.maker and one.finding.text}


def ways(when: When, side: Side | None = None) -> Iterator[Way]:
    """Ways in which a condition holds; every leaf and answer is in one, those of a count beside those that follow."""
    if when.same_side and side is None:
        yield from ways(when, Side.LEFT)
        yield from ways(when, Side.RIGHT)
    elif when.both_sides and side is None:
        for one in ways(when, Side.LEFT):
            yield (*one, *(Asked(asked.leaf, Side.RIGHT) for asked in one))
    elif when.any:
        yield from chain.from_iterable(ways(part, side) for part in when.any)
    elif when.parts:
        parts = [list(islice(ways(part, side), _MOST)) for part in when.parts]
        needed = when.at_least or len(parts)
        for start in range(len(parts) if needed < len(parts) else 1):
            yield from _together([(parts + parts)[start + n] for n in range(needed)])
    elif when.answers:
        yield from ((Asked(when.model_copy(update={"answers": (answer,)}), side),) for answer in when.answers)
    else:
        yield (Asked(when, side),)


def _together(parts: list[list[Way]]) -> Iterator[Way]:
    """The first way of each part, then each further way of one part beside those."""
    if not all(parts):
        return
    first = [options[0] for options in parts]
    yield tuple(chain.from_iterable(first))
    for place, options in enumerate(parts):
        for option in options[1:]:
            yield tuple(chain.from_iterable([*first[:place], option, *first[place + 1 :]]))


def _exam(rule: Rule, way: Way, catalogue: Catalogue) -> Played | None:
    hours = _within([asked.leaf.age_hours for asked in way], Decimal(30), _TENTH)
    weeks = _within([asked.leaf.gestation_weeks for asked in way], Decimal(39), Decimal(1))
    if hours is None or weeks is None or not 20 <= weeks < 46:
        return None
    items = [catalogue.items[asked.leaf.item] for asked in way if asked.leaf.item]
    sexes = [*(asked.leaf.sex for asked in way), *(item.sex for item in items)]
    empty = _bare(rule, hours, weeks, Sex(next(filter(None, sexes), "male")), catalogue)
    here, before = list[Finding](), list[Finding]()
    for asked in way:
        made = _findings(asked, empty, catalogue)
        if made is None:
            return None
        of = before if asked.leaf.earlier else here
        of += [one for one in made if one not in of]
    exam = empty.model_copy(update={"findings": tuple(here)})
    return Played(exam, (_before(empty, before),) if before else ())


def _before(exam: Exam, findings: list[Finding]) -> Exam:
    """An exam of the same newborn an hour earlier."""
    told = {"id": f"{exam.details.id[:57]}-before", "started": exam.details.started - timedelta(hours=1)}
    return exam.model_copy(update={"details": exam.details.model_copy(update=told), "findings": tuple(findings)})


def _bare(rule: Rule, hours: Decimal, weeks: Decimal, sex: Sex, catalogue: Catalogue) -> Exam:
    details = ExamDetails(
        id=f"rule-{rule.id}"[:64],
        kind="unknown" if "unknown" in catalogue.kinds else next(iter(catalogue.kinds)),
        started=BORN + timedelta(seconds=int(hours * 3600)),
        examiners=(Examiner(name="Example Examiner", role=next(iter(catalogue.roles))),),
    )
    newborn = Newborn(
        identifiers=(Identifier(system="https://example.org/mrn", value=f"R-{rule.id}"),),
        sex=sex,
        birth_time=BORN,
        gestation=Gestation(weeks=int(weeks), days=int((weeks - int(weeks)) * 7)),
    )
    return Exam(details=details, newborn=newborn)


def _within(spans: Sequence[Span | None], usual: Decimal, step: Decimal) -> Decimal | None:
    asked = [span for span in spans if span is not None]
    ends = [end.value for span in asked for end in (span.low, span.high) if end]
    near = [usual, *ends, *(end - step for end in ends), *(end + step for end in ends)]
    return next((value for value in near if value >= 0 and all(span.holds(value) for span in asked)), None)


def _findings(asked: Asked, exam: Exam, catalogue: Catalogue) -> list[Finding] | None:
    """What makes a leaf hold in this exam; None where nothing does."""
    leaf = asked.leaf
    if leaf.not_examined:
        reason = next(iter(catalogue.reasons)) if "any" in leaf.not_examined else leaf.not_examined[0]
        plain = next(one.id for one in catalogue.offered.values() if one.sides is Sides.NONE)
        item = catalogue.items[leaf.item or plain]
        return [Finding(item=item.id, not_examined=reason, **_place(item, asked))]
    if leaf.item is None or leaf.not_recorded or leaf.never:
        return []
    item = catalogue.items[leaf.item]
    if leaf.minus is not None:
        return _pair(leaf, item, catalogue)
    if leaf.change is not None:
        return _changed(asked, item, exam, leaf.change)
    for finding in _options(item, asked):
        if _asked_of(finding, leaf, item, exam, catalogue):
            return _apart([finding] * leaf.times, exam) if leaf.times else [finding]
    return None


def _apart(findings: Sequence[Finding], exam: Exam) -> list[Finding]:
    """The same, made a minute after each other; the first at the exam's start, which needs no time of its own."""
    first, *others = findings
    minutes = (exam.details.started + timedelta(minutes=n) for n in range(1, len(findings)))
    return [first, *(one.model_copy(update={"observed_at": at}) for one, at in zip(others, minutes, strict=True))]


def _changed(asked: Asked, item: Item, exam: Exam, wanted: Span) -> list[Finding] | None:
    """A number, and the same one changed so a minute later."""
    leaf, change = asked.leaf, _at_the_end(wanted)
    limits = _limits(item, leaf.component)
    if change is None or limits is None:
        return None
    base = _middle(limits, item)
    made = [_measured(item, leaf.component, value, _place(item, asked)) for value in (base, base + change)]
    return _apart([one for one in made if one is not None], exam)


def _place(item: Item, asked: Asked) -> dict[str, object]:
    side = asked.side or (Side.LEFT if item.sides is Sides.EACH else None)
    site = next(iter(asked.leaf.sites or (item.sites if item.site_required else ())), None)
    return {"side": side if item.sides is not Sides.NONE else None, "site": site}


def _options(item: Item, asked: Asked) -> Iterator[Finding]:
    """Findings of an item with each of its answers, and with numbers about each end that matters."""
    leaf, place = asked.leaf, _place(item, asked)
    for answer in item.answers:
        yield Finding(item=item.id, value=answer.id, **place)
    component = leaf.component or (item.components[0].id if item.components else None)
    for value in numbers(item, component, leaf.number):
        finding = _measured(item, component, value, place)
        if finding is not None:
            yield finding


def numbers(item: Item, component: str | None, asked: Span | None = None) -> list[Decimal]:
    """Each end of the ranges, limits and of what is asked, and a number between each two: else nothing changes."""
    bands = [band for band in item.ranges if band.component == component]
    ends = {end.value for band in (*bands, *filter(None, [asked])) for end in (band.low, band.high) if end}
    limits = _limits(item, component)
    ordered = sorted(ends | (set(limits.possible) if limits else set()))
    found = sorted({*ordered, *((low + high) / 2 for low, high in pairwise(ordered))})
    if item.type is ItemType.SCORE or item.whole_numbers:
        found = sorted({Decimal(int(value) + by) for value in found for by in (0, 1)})
    return [value for value in found if limits is None or limits.possible[0] <= value <= limits.possible[1]]


def _measured(item: Item, component: str | None, value: Decimal, place: dict[str, object]) -> Finding | None:
    match item.type:
        case ItemType.SCORE:
            return Finding(item=item.id, value=Score(total=int(value)))
        case ItemType.TIME:
            return Finding(item=item.id, value=At(time=BORN + timedelta(seconds=int(value * 3600))), **place)
        case ItemType.QUANTITIES if component is not None and item.unit:
            middle = {c.id: _middle(c.limits, item) for c in item.components if c.required}
            parts = Quantities(components={**middle, component: value}, unit=item.unit)
            return Finding(item=item.id, value=parts, **place)
        case ItemType.QUANTITY if item.unit:
            return Finding(item=item.id, value=Quantity(value=value, unit=item.unit), **place)
    return None


def _limits(item: Item, component: str | None) -> Limits | None:
    part = item.component(component) if component else None
    return part.limits if part else item.limits


def _at_the_end(wanted: Span) -> Decimal | None:
    """A number within a span, at its end or one beside it."""
    end = wanted.low or wanted.high
    near = (end.value, end.value + 1, end.value - 1) if end else ()
    return next((value for value in near if wanted.holds(value)), None)


def _middle(limits: Limits, item: Item) -> Decimal:
    return (sum(limits.plausible, Decimal(0)) / 2).quantize(Decimal(1) if item.whole_numbers else _TENTH)


def _pair(leaf: When, item: Item, catalogue: Catalogue) -> list[Finding] | None:
    """Two findings whose numbers lie so far apart."""
    assert leaf.minus is not None
    other = catalogue.items[leaf.minus.item or item.id]
    apart = _at_the_end(leaf.number) if leaf.number else None
    limits = _limits(item, leaf.component)
    if apart is None or limits is None:
        return None
    base = min(limits.plausible[1], limits.plausible[1] - apart) - 2
    sites = (next(iter(leaf.sites), None), next(iter(leaf.minus.sites), None))
    made = [
        _measured(item, leaf.component, base + apart, {"site": sites[0]}),
        _measured(other, leaf.component, base, {"site": sites[1]}),
    ]
    return [one for one in made if one is not None]


def _asked_of(finding: Finding, leaf: When, item: Item, exam: Exam, catalogue: Catalogue) -> bool:
    """Whether a finding is what a leaf asks; of a moment its hours of life."""
    if leaf.answers and finding.answer not in leaf.answers:
        return False
    if leaf.number is not None:
        value = _number(finding, leaf, exam)
        if value is None or not leaf.number.holds(value):
            return False
    judged = judge(finding, item, exam, catalogue)
    return (not leaf.meanings or (judged is not None and judged.meaning in leaf.meanings)) and (
        not leaf.flags or (judged is not None and judged.flag in leaf.flags)
    )


def _number(finding: Finding, leaf: When, exam: Exam) -> Decimal | None:
    if finding.quantities is not None:
        return finding.quantities.components.get(leaf.component or "")
    if finding.score is not None and finding.score.total is not None:
        return Decimal(finding.score.total)
    if finding.moment is not None:
        return Decimal((finding.moment - exam.newborn.birth_time).total_seconds()) / 3600
    return finding.quantity.value if finding.quantity is not None else None
