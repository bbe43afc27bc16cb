"""Which rules hold in an exam: the conditions of ``rules.yaml``, read as data, compiled to functions."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from adapter.catalogue import Catalogue, Item, Sides, When
from adapter.derive.age import age_hours, gestation_weeks, made_at
from adapter.derive.completeness import side_of
from adapter.derive.evidence import Evidence
from adapter.derive.judgement import component_numbers, number
from adapter.derive.made import Computed, Maker
from adapter.derive.makers import by_rule
from adapter.exam import At, Exam, Finding, Quantities, Quantity, Side, Urgency

_Found = frozenset[int] | None
"""The indexes of the findings by which a condition holds; None where it does not hold."""


def rule_findings(exam: Exam, pool: Sequence[Evidence], catalogue: Catalogue) -> list[Computed]:
    """A finding for every rule that is on and holds, with the findings it holds by, in the order of the rules."""
    scene = _Scene(exam, pool, catalogue)
    held = [(rule, found) for rule in _compiled(catalogue) if (found := rule.test(scene, None)) is not None]
    replaced = {other for rule, _ in held for other in rule.replaces}
    return [
        Computed(
            finding=rule.finding,
            derived_from=tuple(sorted(found)),
            maker=rule.maker,
            urgency=rule.urgency,
            abnormal=True,
            reason=rule.reason,
            replaced=rule.maker.id in replaced,
        )
        for rule, found in held
    ]


class _Scene:
    """One exam's evidence, asked by conditions."""

    def __init__(self, exam: Exam, pool: Sequence[Evidence], catalogue: Catalogue) -> None:
        self._exam, self._catalogue, self._pool = exam, catalogue, pool
        self.by_item: dict[str, list[Evidence]] = {}
        for one in pool:
            self.by_item.setdefault(one.finding.__dict__["item"], []).append(one)
        self._age = age_hours(exam, exam.details.started)
        self._gestation = gestation_weeks(exam)

    def leaf(self, when: When, side: Side | None) -> _Found:
        """By which findings a leaf holds; with ``side``, items with sides count on that side only."""
        if when.gestation_weeks is not None and (
            self._gestation is None or not when.gestation_weeks.holds(self._gestation)
        ):
            return None
        if when.sex is not None and self._exam.newborn.sex != when.sex:
            return None
        if when.item is None:
            if when.age_hours is not None and not when.age_hours.holds(self._age):
                return None
            return self._not_examined(when) if when.not_examined else frozenset()
        candidates = self.by_item.get(when.item, [])
        if when.not_recorded:
            return None if candidates else frozenset()
        if when.minus is not None:
            return self._difference(when)
        fitting = [one.index for one in candidates if self._fits(one, when, side)]
        return frozenset(fitting) if fitting else None

    def _not_examined(self, when: When) -> _Found:
        """Every item, whichever it is, that was not examined for one of the reasons."""
        wanted = set(when.not_examined)
        reasons = ((one.index, one.finding.__dict__["not_examined"]) for one in self._pool)
        return frozenset(index for index, reason in reasons if reason and {"any", reason} & wanted) or None

    def _fits(self, one: Evidence, when: When, side: Side | None) -> bool:
        """Whether all that a leaf asks holds of one finding; first what is quickly answered."""
        finding = one.finding
        if when.not_examined:
            if finding.not_examined is None or not {"any", finding.not_examined} & set(when.not_examined):
                return False
        elif finding.not_examined is not None or not _is_judged(one, when):
            return False
        if side is not None and one.item.sides is Sides.EACH and side_of(finding, self._catalogue) is not side:
            return False
        if when.sites and (finding.site or one.item.body_site) not in when.sites:
            return False
        if when.age_hours is not None and not when.age_hours.holds(self._age_at(one)):
            return False
        if when.number is not None and not when.not_examined:
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
        for one in self.by_item.get(item.id, []):
            value = self._number(one, component)
            if value is not None and (not sites or one.finding.site in sites):
                yield one.index, value


def _is_judged(one: Evidence, when: When) -> bool:
    """Whether the answer, the meaning and the flag are among those asked for."""
    judged = one.judged
    if when.answers and one.finding.answer not in when.answers:
        return False
    if when.meanings and (judged is None or judged.meaning not in when.meanings):
        return False
    return not when.flags or (judged is not None and judged.flag in when.flags)


def _union(held: list[frozenset[int]], needed: int) -> _Found:
    return frozenset().union(*held) if len(held) >= needed else None


_Test = Callable[[_Scene, Side | None], _Found]
"""By which findings of a scene a condition holds; with a side, items with sides count on that side only."""


@dataclass(frozen=True, slots=True)
class _Compiled:
    """A rule that is on: its condition as a function, and what is found where it holds."""

    test: _Test
    finding: Finding
    maker: Maker
    urgency: Urgency
    reason: str
    replaces: tuple[str, ...]


@lru_cache(maxsize=16)
def _compiled(catalogue: Catalogue) -> list[_Compiled]:
    """The rules that are on, in their order."""
    return [
        _Compiled(
            test=_test(rule.when),
            finding=Finding(item="cross_finding", text=rule.label),
            maker=by_rule(rule, catalogue),
            urgency=rule.urgency,
            reason=rule.reason,
            replaces=rule.replaces,
        )
        for rule in catalogue.rules.values()
        if rule.on
    ]


def _test(when: When) -> _Test:
    if not when.parts:
        return _leaf(when)
    parts = [_test(part) for part in when.parts]
    group = _all_of(parts) if when.all else _some_of(parts, when.at_least or 1)
    sides = 1 if when.same_side else 2 if when.both_sides else 0
    return _on_sides(group, sides) if sides else group


def _leaf(when: When) -> _Test:
    needed = None if when.not_recorded else when.item

    def test(scene: _Scene, side: Side | None) -> _Found:
        return None if needed is not None and needed not in scene.by_item else scene.leaf(when, side)

    return test


def _all_of(parts: list[_Test]) -> _Test:
    def test(scene: _Scene, side: Side | None) -> _Found:
        held = []
        for part in parts:
            found = part(scene, side)
            if found is None:
                return None
            held.append(found)
        return frozenset().union(*held)

    return test


def _some_of(parts: list[_Test], needed: int) -> _Test:
    def test(scene: _Scene, side: Side | None) -> _Found:
        return _union([found for part in parts if (found := part(scene, side)) is not None], needed)

    return test


def _on_sides(group: _Test, needed: int) -> _Test:
    """A group that is asked of the left and of the right, each alone, and must hold on so many of them."""

    def test(scene: _Scene, side: Side | None) -> _Found:
        if side is not None:
            return group(scene, side)
        sides = (Side.LEFT, Side.RIGHT)
        return _union([found for each in sides if (found := group(scene, each)) is not None], needed)

    return test
