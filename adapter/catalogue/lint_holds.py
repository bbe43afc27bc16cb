"""Conditions that can never hold, and conditions that hold of every newborn: as far as the tree alone shows it.

What needs an exam to see (a rule that no finding fires) is found when a site is rehearsed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from itertools import combinations

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.model import Flag, Item, ItemType, Limits, Meaning, Sides, Span
from adapter.catalogue.rules import When
from adapter.exam.persons import Sex

WEEKS = Limits(possible=(Decimal(20), Decimal(45)), plausible=(Decimal(20), Decimal(45)))
"""Completed weeks of gestation that a record may hold (:class:`adapter.exam.persons.Gestation`)."""
_LIFE = Limits(possible=(Decimal(0), Decimal(10**6)), plausible=(Decimal(0), Decimal(10**6)))
FOUND_BY_RULES = "cross_finding"
"""The item of what rules find; they are asked before it is there."""
_TOGETHER = "conditions that can hold together"

Fault = tuple[str, str, str]
"""What is wrong, what would be right, and the word that is meant."""


def never(when: When, catalogue: Catalogue) -> Iterator[Fault]:
    """Why a condition can never hold: leaves that no finding fulfils, leaves of one group that exclude each other."""
    for leaf in when.leaves():
        yield from _leaf(leaf, catalogue)
    yield from _groups(when, catalogue)


def _groups(when: When, catalogue: Catalogue) -> Iterator[Fault]:
    if when.parts and _needed(when) == len(when.parts):
        yield from ((what, _TOGETHER, "when") for what in _excluding(list(_together(when)), catalogue))
    else:
        for part in when.parts:
            yield from _groups(part, catalogue)
    for one, other in combinations(when.parts, 2):
        if one == other:
            yield "asks the same twice in one group", "each condition once", one.item or "when"


def _needed(when: When) -> int:
    return when.at_least or (len(when.parts) if when.all else 1)


def _together(when: When) -> Iterator[When]:
    """The leaves that must all hold; of a group of which some suffice, none must."""
    if not when.parts:
        yield when
    elif _needed(when) == len(when.parts):
        for part in when.parts:
            yield from _together(part)


def _excluding(leaves: Sequence[When], catalogue: Catalogue) -> Iterator[str]:
    start = [leaf.age_hours for leaf in leaves if leaf.age_hours and (leaf.item is None or leaf.not_recorded)]
    weeks = [leaf.gestation_weeks for leaf in leaves if leaf.gestation_weeks]
    for name, spans in (("ages", start), ("weeks of gestation", weeks)):
        if spans and empty(both := _cut(spans)):
            yield f"no infant is of all these {name} at once ({both})"
    items = [
        catalogue.items[leaf.item]
        for leaf in leaves
        if leaf.item and leaf.item in catalogue.items and not (leaf.not_recorded or leaf.over_exams)
    ]
    sexes = {leaf.sex for leaf in leaves if leaf.sex} | {item.sex for item in items if item.sex}
    if len(sexes) > 1:
        yield f"no infant is both {' and '.join(sorted(sexes))}"
    missing = {leaf.item for leaf in leaves if leaf.not_recorded}
    for item in items:
        if item.id in missing:
            yield f"{item.id} cannot be recorded and not be recorded"
    asked = [leaf for leaf in leaves if leaf.item and leaf.answers and not leaf.over_exams]
    for one, other in combinations(asked, 2):
        known = catalogue.items.get(one.item or "")
        single = known is not None and known.type is ItemType.CHOICE and known.sides is Sides.NONE and not known.sites
        if single and one.item == other.item and not set(one.answers) & set(other.answers):
            yield f"{one.item} cannot be both {', '.join(one.answers)} and {', '.join(other.answers)}"


def _leaf(leaf: When, catalogue: Catalogue) -> Iterator[Fault]:
    if leaf.sex is not None and leaf.sex not in tuple(Sex):
        yield f"there is no sex '{leaf.sex}'", f"one of {', '.join(Sex)}", leaf.sex
    if leaf.gestation_weeks is not None and not _within(leaf.gestation_weeks, WEEKS):
        what = f"no record has a gestation of '{leaf.gestation_weeks}' weeks"
        yield what, "20 to 45 completed weeks", "gestation_weeks"
    item = catalogue.items.get(leaf.item or "")
    if item is None:
        return
    if item.id == FOUND_BY_RULES:
        yield f"asks for {item.id}, which is what rules find", "what the other rule asks, in its place", item.id
        return
    if leaf.meanings and not _may_be(item, catalogue) & {*leaf.meanings}:
        wanted, known = ", ".join(leaf.meanings), ", ".join(sorted(_may_be(item, catalogue)))
        yield f"nothing that can be said of {item.id} is {wanted}", f"one of {known or 'none'}", "meanings"
    flags = _flags(item, catalogue)
    if leaf.flags and flags is not None and not flags & {*leaf.flags}:
        wanted = ", ".join(leaf.flags)
        yield f"no range of {item.id} has the flag {wanted}", f"one of {', '.join(sorted(flags)) or 'none'}", "flags"


def _may_be(item: Item, catalogue: Catalogue) -> set[Meaning]:
    """What a finding can mean; an examiner's own urgency makes one abnormal that nothing judges."""
    if _judged_elsewhere(item, catalogue):
        return {*Meaning}
    return {Meaning.ABNORMAL, *(answer.meaning for answer in item.answers), *(band.meaning for band in item.ranges)}


def _flags(item: Item, catalogue: Catalogue) -> set[Flag] | None:
    """The flags that a finding can have; None where more than answers and ranges decide."""
    if _judged_elsewhere(item, catalogue):
        return None
    of_answers = {Flag.NORMAL, Flag.ABNORMAL} if item.answers else {Flag.ABNORMAL}
    return of_answers | {band.flag for band in item.ranges}


def _judged_elsewhere(item: Item, catalogue: Catalogue) -> bool:
    return item.computed or item.chart or any(item.id in table.items for table in catalogue.hours.values())


def always(when: When, catalogue: Catalogue) -> bool:
    """Whether a condition holds of every newborn who was examined for it, whatever was found."""
    if when.parts:
        return sum(always(part, catalogue) for part in when.parts) >= _needed(when)
    if when.age_hours and not _covers([when.age_hours], _LIFE):
        return False
    if when.sex or when.not_examined or when.not_recorded or when.minus or when.sites or when.over_exams:
        return False
    if when.gestation_weeks and not _covers([when.gestation_weeks], WEEKS):
        return False
    item = catalogue.items.get(when.item or "")
    return item is None or _whatever(when, item)


def _whatever(leaf: When, item: Item) -> bool:
    """Whether a leaf is of every answer, meaning and number of its item."""
    if leaf.flags:
        return False
    if leaf.answers and {*leaf.answers} < {answer.id for answer in item.answers}:
        return False
    if leaf.meanings and {*leaf.meanings} < {*Meaning}:
        return False
    component = item.component(leaf.component or "")
    limits = component.limits if component else item.limits
    return leaf.number is None or (limits is not None and _covers([leaf.number], limits))


def empty(span: Span) -> bool:
    """Whether no number lies so."""
    low, high = span.low, span.high
    if low is None or high is None:
        return False
    return low.value > high.value or (
        low.value == high.value and not (low.holds(high.value) and high.holds(low.value))
    )


def _cut(spans: Iterable[Span]) -> Span:
    """What lies in all of them."""
    lows = [span.low for span in spans if span.low]
    highs = [span.high for span in spans if span.high]
    return Span(
        low=max(lows, key=lambda end: (end.value, end.comparator == ">"), default=None),
        high=min(highs, key=lambda end: (end.value, end.comparator == "<="), default=None),
    )


def _within(span: Span, limits: Limits) -> bool:
    low, high = limits.possible
    return (span.low is None or span.low.holds(high)) and (span.high is None or span.high.holds(low))


def _covers(spans: Sequence[Span], limits: Limits) -> bool:
    return all(any(span.holds(end) for span in spans) for end in limits.possible)
