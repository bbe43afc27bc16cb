"""The ranges of a catalogue with their questions as functions: which hold a number, and which apply to a finding."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from functools import lru_cache
from operator import ge, gt, le, lt

from adapter.catalogue import Bound, Catalogue, Condition, Item, Meaning, Range, Span
from adapter.derive.age import age_hours, gestation_weeks, made_at
from adapter.exam import Exam, Finding


class Band:
    """A range with its questions as functions, so that only those are asked that it has."""

    __slots__ = ("_asked", "expected", "holds", "range")

    def __init__(self, band: Range) -> None:
        self.range, self.expected = band, band.meaning is Meaning.EXPECTED
        self.holds = within(band)
        self._asked = _conditions(band.when)

    def applies(self, finding: Finding, item: Item, exam: Exam) -> bool:
        """Whether all conditions hold; one that asks for what is not known does not hold."""
        return not self._asked or all(holds(finding, item, exam) for holds in self._asked)


@lru_cache(maxsize=16)
def bands(catalogue: Catalogue) -> dict[tuple[str, str | None], list[Band]]:
    """The ranges of each item, or of a component of it, in their order."""
    found: dict[tuple[str, str | None], list[Band]] = {}
    for item in catalogue.items.values():
        for band in item.ranges:
            found.setdefault((item.id, band.component), []).append(Band(band))
    return found


def within(span: Span) -> Callable[[Decimal], bool]:
    """:meth:`Span.holds` as a function."""
    ends = [_end(end) for end in (span.low, span.high) if end is not None]
    if len(ends) == 2:
        low, high = ends
        return lambda value: low(value) and high(value)
    return ends[0] if ends else lambda value: True


def _end(bound: Bound) -> Callable[[Decimal], bool]:
    compare, end = _COMPARE[bound.comparator], bound.value
    return lambda value: compare(value, end)


_COMPARE: dict[str, Callable[[Decimal, Decimal], bool]] = {">": gt, ">=": ge, "<": lt, "<=": le}
_Condition = Callable[[Finding, Item, Exam], bool]


def _conditions(when: Condition) -> list[_Condition]:
    """What a range asks before it applies."""
    asked: list[_Condition] = []
    if when.states:
        asked.append(lambda finding, item, exam: finding.state in when.states)
    if when.sites:
        asked.append(lambda finding, item, exam: (finding.site or item.body_site) in when.sites)
    if when.methods:
        asked.append(lambda finding, item, exam: (finding.method or item.method) in when.methods)
    if when.sex is not None:
        asked.append(lambda finding, item, exam: exam.newborn.sex == when.sex)
    if when.age_hours is not None:
        of_age = within(when.age_hours)
        asked.append(lambda finding, item, exam: of_age(age_hours(exam, made_at(finding, item, exam))))
    if when.gestation_weeks is not None:
        of_gestation = within(when.gestation_weeks)
        asked.append(lambda finding, item, exam: (w := gestation_weeks(exam)) is not None and of_gestation(w))
    return asked
