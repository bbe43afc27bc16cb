"""Which rules hold in an exam: the conditions of ``rules.yaml``, read as data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal

from adapter.catalogue import Catalogue, Item, Rule, Sides, When
from adapter.derive.age import age_hours, gestation_weeks, made_at
from adapter.derive.completeness import side_of
from adapter.derive.evidence import Evidence
from adapter.derive.judgement import component_numbers, number
from adapter.derive.made import Computed
from adapter.derive.makers import by_rule
from adapter.exam import At, Exam, Finding, Quantities, Quantity, Side

_Found = frozenset[int] | None
"""The indexes of the findings by which a condition holds; None where it does not hold."""


def rule_findings(exam: Exam, pool: Sequence[Evidence], catalogue: Catalogue) -> list[Computed]:
    """A finding for every rule that is on and holds, with the findings it holds by, in the order of the rules."""
    scene = _Scene(exam, pool, catalogue)
    held = []
    for rule in catalogue.rules.values():
        found = scene.holds(rule.when, None) if rule.on else None
        if found is not None:
            held.append((rule, found))
    replaced = {other for rule, _ in held for other in rule.replaces}
    made = (_finding(rule, found, catalogue) for rule, found in held)
    return [replace(one, replaced=one.maker is not None and one.maker.id in replaced) for one in made]


def _finding(rule: Rule, found: frozenset[int], catalogue: Catalogue) -> Computed:
    return Computed(
        finding=Finding(item="cross_finding", text=rule.label),
        derived_from=tuple(sorted(found)),
        maker=by_rule(rule, catalogue),
        urgency=rule.urgency,
        abnormal=True,
        reason=rule.reason,
    )


class _Scene:
    """One exam's evidence, asked by conditions."""

    def __init__(self, exam: Exam, pool: Sequence[Evidence], catalogue: Catalogue) -> None:
        self._exam, self._catalogue = exam, catalogue
        self._by_item: dict[str, list[Evidence]] = {}
        for one in pool:
            self._by_item.setdefault(one.item.id, []).append(one)
        self._age = age_hours(exam, exam.details.started)
        self._gestation = gestation_weeks(exam)

    def holds(self, when: When, side: Side | None) -> _Found:
        """By which findings the condition holds; with ``side``, items with sides count on that side only."""
        if when.same_side and side is None:
            sides = [self.holds(when, each) for each in (Side.LEFT, Side.RIGHT)]
            return _union([found for found in sides if found is not None], 1)
        if not when.parts:
            return self._leaf(when, side)
        parts = [self.holds(part, side) for part in when.parts]
        held = [found for found in parts if found is not None]
        needed = when.at_least or (len(parts) if when.all else 1)
        return _union(held, needed)

    def _leaf(self, when: When, side: Side | None) -> _Found:
        if when.gestation_weeks is not None and (
            self._gestation is None or not when.gestation_weeks.holds(self._gestation)
        ):
            return None
        if when.sex is not None and self._exam.newborn.sex != when.sex:
            return None
        if when.item is None:
            aged = when.age_hours is None or when.age_hours.holds(self._age)
            return frozenset() if aged else None
        candidates = self._by_item.get(when.item, [])
        if when.not_recorded:
            return None if candidates else frozenset()
        if when.minus is not None:
            return self._difference(when)
        return _union([frozenset({one.index}) for one in candidates if self._fits(one, when, side)], 1)

    def _fits(self, one: Evidence, when: When, side: Side | None) -> bool:
        finding, judged = one.finding, one.judged
        if side is not None and one.item.sides is Sides.EACH and side_of(finding, self._catalogue) is not side:
            return False
        if when.sites and (finding.site or one.item.body_site) not in when.sites:
            return False
        if when.age_hours is not None and not when.age_hours.holds(self._age_at(one)):
            return False
        if (finding.not_examined is not None) != bool(when.not_examined):
            return False
        if when.not_examined:
            return "any" in when.not_examined or finding.not_examined in when.not_examined
        if when.answers and finding.answer not in when.answers:
            return False
        if when.meanings and (judged is None or judged.meaning not in when.meanings):
            return False
        if when.flags and (judged is None or judged.flag not in when.flags):
            return False
        if when.number is not None:
            value = self._number(one, when.component)
            return value is not None and when.number.holds(value)
        return True

    def _age_at(self, one: Evidence) -> Decimal:
        return age_hours(self._exam, made_at(one.finding, one.item, self._exam))

    def _number(self, one: Evidence, component: str | None) -> Decimal | None:
        value = one.finding.value
        if one.exact is not None:
            return one.exact
        if isinstance(value, At):
            return age_hours(self._exam, value.time)
        if isinstance(value, Quantities):
            return component_numbers(value, one.item, self._catalogue).get(component or "")
        if isinstance(value, Quantity) and value.comparator is not None:
            return None
        return number(one.finding, one.item, self._catalogue)

    def _difference(self, when: When) -> _Found:
        """Every pair of the two kinds of places, or of the two items, whose difference is what is asked."""
        assert when.minus is not None
        assert when.number is not None
        assert when.item is not None
        ones = list(self._numbers(self._catalogue.items[when.item], when.sites, when.component))
        others = list(
            self._numbers(self._catalogue.items[when.minus.item or when.item], when.minus.sites, when.component)
        )
        pairs = [
            frozenset({one, other})
            for one, value in ones
            for other, less in others
            if one != other and when.number.holds(value - less)
        ]
        return _union(pairs, 1)

    def _numbers(self, item: Item, sites: tuple[str, ...], component: str | None) -> Iterator[tuple[int, Decimal]]:
        for one in self._by_item.get(item.id, []):
            value = self._number(one, component)
            if value is not None and (not sites or one.finding.site in sites):
                yield one.index, value


def _union(held: list[frozenset[int]], needed: int) -> _Found:
    return frozenset().union(*held) if len(held) >= needed else None
