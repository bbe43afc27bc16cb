"""Scenes made from a rule's own condition: one for each way in which it can hold, those a step beside, those with one
half missing. Which of the latter still hold is read off the tree by ``rule_trees.Walk``, never by the compiled steps.

They are not those of ``derive/every_rule``, which the rehearsal shows a site: what that forgets of a condition would
be forgotten here as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from itertools import chain, combinations

from hypothesis import settings
from rule_cases.words import Case
from scenes import BORN, CATALOGUE, missed, said, scene
from test_search import samples

from adapter.catalogue import Item, ItemType, Sides, Span, When
from adapter.derive import judge
from adapter.exam import At, Finding, Quantities, Quantity, Score, Sex, Side
from drawn import EXAMPLES

TENTH = Decimal("0.1")
THOROUGH = settings.default is not None and settings.default.max_examples > EXAMPLES


@dataclass(frozen=True)
class Asked:
    """One leaf, with a single one of its answers, and the side that it is asked of."""

    leaf: When
    side: Side | None = None


Way = tuple[Asked, ...]


def ways(when: When, side: Side | None = None) -> Iterator[Way]:
    """Ways in which a condition holds, so that every leaf and every answer is in one.

    Of a count, each part stands beside those that follow it; at length, each beside each.
    """
    if when.same_side and side is None:
        yield from ways(when, Side.LEFT)
    elif when.both_sides and side is None:
        for one in ways(when, Side.LEFT):
            yield (*one, *(Asked(asked.leaf, Side.RIGHT) for asked in one))
    elif when.any:
        yield from chain.from_iterable(ways(part, side) for part in when.any)
    elif when.parts:
        parts, needed = [list(ways(part, side)) for part in when.parts], when.at_least or len(when.parts)
        if THOROUGH or needed == len(parts):
            chosen = list(combinations(parts, needed))
        else:
            chosen = [tuple((parts + parts)[n : n + needed]) for n in range(len(parts))]
        for one in chosen:
            yield from _together(list(one), len(parts) == needed or THOROUGH)
    elif when.answers:
        yield from ((Asked(when.model_copy(update={"answers": (answer,)}), side),) for answer in when.answers)
    else:
        yield (Asked(when, side),)


def _together(parts: list[list[Way]], each: bool) -> Iterator[Way]:
    """The first way of each part, then each further way of one part (else of the first alone) beside those."""
    first = [options[0] for options in parts]
    yield tuple(chain.from_iterable(first))
    for place, options in enumerate(parts if each else parts[:1]):
        for option in options[1:]:
            yield tuple(chain.from_iterable([*first[:place], option, *first[place + 1 :]]))


def case_of(way: Way, off: int | None = None) -> list[Case]:
    """The scenes of a way: one in which all holds, or with ``off`` those in which that leaf is a step beside."""
    hours = _within([asked.leaf.age_hours for asked in way], Decimal(30))
    weeks = _within([asked.leaf.gestation_weeks for asked in way], Decimal(39))
    if hours is None or weeks is None:
        return []
    sex = next((asked.leaf.sex for asked in way if asked.leaf.sex), "male")
    males = {CATALOGUE.items[a.leaf.item].sex for a in way if a.leaf.item} - {None}
    more = {"hours": hours, "weeks": weeks, "sex": Sex(next(iter(males), sex))}
    made = [_findings(asked, more) for asked in way]
    if off is None:
        return [_case(made, more, way)] if all(option for option in made) else []
    leaf = way[off].leaf
    found = [_case([*made[:off], [beside], *made[off + 1 :]], more, way) for beside in _beside(way[off], more)]
    for name, span in (("hours", leaf.age_hours), ("weeks", leaf.gestation_weeks)):
        found += [
            _case(made, {**more, name: value}, way) for value in _out(span, TENTH if name == "hours" else Decimal(1))
        ]
    if leaf.sex:
        found.append(_case(made, {**more, "sex": Sex.FEMALE if leaf.sex == "male" else Sex.MALE}, way))
    return found


def _case(made: list[list[list[Finding]]], more: dict[str, object], way: Way = ()) -> Case:
    """A scene; what a leaf asks of an earlier exam is in one an hour before, several readings are a minute apart."""
    weeks, hours = more["weeks"], more["hours"]
    assert isinstance(weeks, Decimal)
    assert isinstance(hours, Decimal)
    given = {**more, "hours": str(hours), "weeks": int(weeks), "days": int((weeks - int(weeks)) * 7)}
    here, before = list[Finding](), list[Finding]()
    for place, options in enumerate(made):
        leaf = way[place].leaf if way else When(age_hours=Span())
        several = leaf.times is not None or leaf.change is not None
        at = [BORN + timedelta(hours=float(hours), minutes=n) for n in range(len(options[0]))]
        one = [f.model_copy(update={"observed_at": t}) if several else f for f, t in zip(options[0], at, strict=True)]
        (before if leaf.earlier else here).extend(one)
    if before:
        given["before"] = {str(hours - 1): before}
    return here, given


def _within(spans: list[Span | None], usual: Decimal) -> Decimal | None:
    asked = [span for span in spans if span is not None]
    ends = [end.value for span in asked for end in (span.low, span.high) if end]
    step = TENTH if usual == 30 else Decimal(1)
    options = [*ends, *(end - step for end in ends), *(end + step for end in ends), usual]
    return next((value for value in options if value >= 0 and all(span.holds(value) for span in asked)), None)


def _out(span: Span | None, step: Decimal) -> list[Decimal]:
    """Numbers just outside a span."""
    if span is None:
        return []
    near = [end.value + by for end in (span.low, span.high) if end for by in (Decimal(0), step, -step)]
    return [value for value in near if value >= 0 and not span.holds(value)]


def _out_of(span: Span, step: Decimal) -> list[Decimal]:
    """Numbers just outside a span, below 0 too."""
    near = [end.value + by for end in (span.low, span.high) if end for by in (Decimal(0), step, -step)]
    return [value for value in near if not span.holds(value)]


def _findings(asked: Asked, more: dict[str, object]) -> list[list[Finding]]:
    """What makes a leaf hold: the first option serves; none where nothing in this scene can."""
    leaf = asked.leaf
    if leaf.not_examined:
        reason = "crying" if leaf.not_examined == ("any",) else leaf.not_examined[0]
        return [[missed(leaf.item or "weight", reason, side=asked.side)]]
    if leaf.item is None or leaf.not_recorded or leaf.never:
        return [[]]
    item = CATALOGUE.items[leaf.item]
    if leaf.minus is not None:
        return _pair(leaf, item, leaf.number)
    if leaf.change is not None:
        return _changed(leaf, item, asked, leaf.change)
    options = [one for one in _all(item, asked) if _asked_of(one, leaf, item, more)]
    return [[one] * (leaf.times or 1) for one in options]


def _beside(asked: Asked, more: dict[str, object]) -> list[list[Finding]]:
    """Findings a step beside what a leaf asks: the number next to its end, the answers next to its own."""
    leaf = asked.leaf
    if leaf.item is None:
        return [[missed("weight", "crying")]] if leaf.not_examined and leaf.not_examined != ("any",) else []
    item = CATALOGUE.items[leaf.item]
    every = _all(item, asked)
    if leaf.not_recorded or leaf.never:
        return [[one] for one in every if leaf.not_recorded or _asked_of(one, leaf, item, more)][:1]
    if leaf.minus is not None:
        return [pair for value in _out(leaf.number, Decimal(1)) for pair in _pair(leaf, item, _exactly(value))]
    if leaf.change is not None:
        step = Decimal(1) if item.whole_numbers else TENTH
        return [pair for v in _out_of(leaf.change, step) for pair in _changed(leaf, item, asked, _exactly(v))]
    good = [n for n, one in enumerate(every) if _asked_of(one, leaf, item, more)]
    few = [[every[good[0]]] * (leaf.times - 1)] if leaf.times and good else []
    return few + [
        [every[n]] * (leaf.times or 1)
        for n in sorted({m for g in good for m in (g - 1, g + 1)} - {*good})
        if 0 <= n < len(every)
    ]


def _exactly(value: Decimal) -> Span:
    return Span.model_validate({"low": f">={value}", "high": f"<={value}"})


def _all(item: Item, asked: Asked) -> list[Finding]:
    """Findings of an item with each of its answers, or with numbers next to each end that matters."""
    leaf = asked.leaf
    each = item.sides in (Sides.EACH, Sides.PAIR) and item.sides is not Sides.PAIR
    place = {"side": asked.side or (Side.LEFT if each else None), "site": next(iter(leaf.sites or item.sites), None)}
    if not item.sites or not (item.site_required or leaf.sites):
        place["site"] = None
    if item.answers and (leaf.answers or item.type is not ItemType.TIME):
        return [said(item.id, answer.id, **place) for answer in item.answers]
    component = leaf.component or (item.components[0].id if item.components else None)
    whole = item.whole_numbers or item.type is ItemType.SCORE
    step = Decimal(1) if whole else TENTH
    ends = [end.value for end in (leaf.number.low, leaf.number.high) if end] if leaf.number else []
    values = sorted({*samples(item, component), *(end + by for end in ends for by in (-step, Decimal(0), step))})
    return [_measured(item, component, value, place) for value in values if value >= 0 or item.computed]


def _measured(item: Item, component: str | None, value: Decimal, place: dict[str, object]) -> Finding:
    if item.type is ItemType.SCORE:
        return Finding(item=item.id, value=Score(total=int(value)))
    unit = item.unit or "1"
    if component is not None:
        return Finding(item=item.id, value=Quantities(components={component: value}, unit=unit), **place)
    return Finding(item=item.id, value=Quantity(value=value, unit=unit), **place)


def _pair(leaf: When, item: Item, wanted: Span | None) -> list[list[Finding]]:
    """Two findings whose numbers lie so far apart."""
    assert leaf.minus is not None
    assert wanted is not None
    other = CATALOGUE.items[leaf.minus.item or item.id]
    end = wanted.low or wanted.high
    assert end is not None
    apart = next(v for v in (end.value, end.value + 1, end.value - 1) if wanted.holds(v))
    limits = item.component(leaf.component).limits if leaf.component else item.limits  # type: ignore[union-attr]
    assert limits is not None
    base = min(limits.plausible[1], limits.plausible[1] - apart) - 2
    sites = (next(iter(leaf.sites), None), next(iter(leaf.minus.sites), None))
    return [
        [
            _measured(item, leaf.component, base + apart, {"site": sites[0]}),
            _measured(other, leaf.component, base, {"site": sites[1]}),
        ]
    ]


def _changed(leaf: When, item: Item, asked: Asked, wanted: Span) -> list[list[Finding]]:
    """A number, and the same one changed so."""
    end = wanted.low or wanted.high
    assert end is not None
    change = next(v for v in (end.value, end.value + 1, end.value - 1) if wanted.holds(v))
    limits = item.component(leaf.component).limits if leaf.component else item.limits  # type: ignore[union-attr]
    assert limits is not None
    base = (limits.plausible[0] + limits.plausible[1]) / 2
    base = base.quantize(Decimal(1)) if item.whole_numbers else base.quantize(TENTH)
    place = {"side": asked.side, "site": next(iter(leaf.sites or item.sites), None) if item.site_required else None}
    return [[_measured(item, leaf.component, value, place) for value in (base, base + change)]]


def _asked_of(finding: Finding, leaf: When, item: Item, more: dict[str, object]) -> bool:
    """Whether a finding is what a leaf asks, with its meaning and flag in this scene."""
    if leaf.answers and finding.answer not in leaf.answers:
        return False
    if leaf.number is not None:
        value = finding.value
        number = value.components.get(leaf.component or "") if isinstance(value, Quantities) else None
        number = value.value if isinstance(value, Quantity) else number
        number = Decimal(value.total) if isinstance(value, Score) and value.total is not None else number
        if number is None or isinstance(value, At) or not leaf.number.holds(number):
            return False
    findings, given = _case([[[finding]]], more)
    judged = judge(finding, item, scene(*findings, **given), CATALOGUE)
    return (not leaf.meanings or (judged is not None and judged.meaning in leaf.meanings)) and (
        not leaf.flags or (judged is not None and judged.flag in leaf.flags)
    )
