"""Conditions of rules at random, of every form that DEVELOPERS.md lists, and what they mean by walking the tree.

The walk is the plain reading of that table, written apart from the steps that the program compiles and runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

from adapter.catalogue import Catalogue, Flag, Item, ItemType, Meaning, Rule, Sides, Span, When
from adapter.derive import FindingView, age_hours, component_numbers, gestation_weeks, made_at, number
from adapter.derive.completeness import side_of
from adapter.exam import At, Exam, Quantities, Quantity, Sex, Side, Urgency

ITEMS = (
    *(
        "respiratory_rate",
        "temperature",
        "blood_pressure",
        "head_circumference",
        "chest_circumference",
        "apgar_1_min",
    ),
    *("jaundice", "skin_colour", "femoral_pulse", "clavicle", "moro", "arm_movement", "testis", "first_stool"),
)
"""Items of every type, with sides, places, states and several numbers among them."""


def spans(low: Decimal, high: Decimal) -> SearchStrategy[Span]:
    """Spans between two numbers, open at either end or not."""
    numbers = st.decimals(low, high, places=1)
    below, above = st.builds("{}{:f}".format, st.sampled_from(["<", "<="]), numbers), None
    above = st.builds("{}{:f}".format, st.sampled_from([">", ">="]), numbers)
    return st.builds(Span, low=above) | st.builds(Span, high=below) | st.builds(Span, low=above, high=below)


@st.composite
def leaves(draw: DrawFn, catalogue: Catalogue) -> When:
    """One leaf, of an item or of the infant."""
    given: dict[str, object] = {}
    if draw(st.integers(0, 4)) == 0:
        given["age_hours"] = draw(spans(Decimal(0), Decimal(200)))
    if draw(st.integers(0, 5)) == 0:
        given["gestation_weeks"] = draw(spans(Decimal(30), Decimal(42)))
    if draw(st.integers(0, 5)) == 0:
        given["sex"] = draw(st.sampled_from(Sex)).value
    if given and draw(st.booleans()):
        return When.model_validate(given)
    if draw(st.integers(0, 9)) == 0:
        reasons = st.lists(st.sampled_from(["any", *catalogue.reasons]), min_size=1, max_size=3, unique=True)
        return When.model_validate({"not_examined": draw(reasons), **given})
    item = catalogue.items[draw(st.sampled_from(ITEMS))]
    return When.model_validate({"item": item.id, **given, **draw(_asked(item, catalogue))})


@st.composite
def _asked(draw: DrawFn, item: Item, catalogue: Catalogue) -> dict[str, object]:
    kind = draw(st.sampled_from(["answers", "meanings", "flags", "number", "minus", "gap", "none"]))
    several = {"min_size": 1, "max_size": 3, "unique": True}
    sites = draw(st.lists(st.sampled_from(item.sites), **several)) if item.sites and draw(st.booleans()) else []
    component = draw(st.sampled_from(item.components)).id if item.components else None
    limits = item.component(component).limits if component else item.limits  # type: ignore[union-attr]
    low, high = limits.possible if limits else (Decimal(0), Decimal(10))
    number = {"component": component, "number": draw(spans(low, high))}
    match kind:
        case "answers" if item.answers:
            return {
                "answers": draw(st.lists(st.sampled_from([a.id for a in item.answers]), **several)),
                "sites": sites,
            }
        case "flags":
            return {"flags": draw(st.lists(st.sampled_from(Flag), **several)), "sites": sites}
        case "number" if not item.answers or item.type is ItemType.TIME:
            return {**number, "sites": sites}
        case "minus" if item.unit is not None:
            other = {"head_circumference": "chest_circumference"}.get(item.id)
            number["number"] = draw(spans(Decimal(-30), Decimal(30)))
            return {**number, "sites": sites, "minus": {"item": other, "sites": list(item.sites[:2])}}
        case "gap":
            return {"not_examined": draw(st.lists(st.sampled_from(["any", *catalogue.reasons]), **several))}
        case "none":
            return {"not_recorded": True}
    return {"meanings": draw(st.lists(st.sampled_from(Meaning), **several)), "sites": sites}


def conditions(catalogue: Catalogue) -> SearchStrategy[When]:
    """Trees of leaves in groups."""

    def groups(inner: SearchStrategy[When]) -> SearchStrategy[When]:
        parts = st.lists(inner, min_size=1, max_size=3)
        sides = st.sampled_from([{}, {}, {"same_side": True}, {"both_sides": True}])
        return (
            st.builds(lambda all_, asked: When(all=tuple(all_), **asked), parts, sides)
            | st.builds(lambda any_, asked: When(any=tuple(any_), **asked), parts, sides)
            | st.builds(
                lambda of, n, asked: When(of=tuple(of), at_least=min(n, len(of)), **asked),
                parts,
                st.integers(1, 3),
                sides,
            )
        )

    return st.recursive(leaves(catalogue), groups, max_leaves=6)


def with_rules(catalogue: Catalogue, several: Sequence[When]) -> Catalogue:
    """The catalogue with these conditions in place of its rules."""
    rules = [
        Rule(id=f"r{n}", label=f"Rule {n}", on=True, urgency=Urgency.TELL, reason="drawn", source="CP", when=when)
        for n, when in enumerate(several)
    ]
    return replace(catalogue, rules={rule.id: rule for rule in rules})


class Walk:
    """By which findings of an exam a condition holds, read off the tree itself."""

    def __init__(self, exam: Exam, pool: Sequence[FindingView], catalogue: Catalogue) -> None:
        self.exam, self.pool, self.catalogue = exam, pool, catalogue

    def holds(self, when: When, side: Side | None = None) -> set[int] | None:
        if (when.same_side or when.both_sides) and side is None:
            sides = [found for each in (Side.LEFT, Side.RIGHT) if (found := self.holds(when, each)) is not None]
            return set().union(*sides) if len(sides) > when.both_sides else None
        if not when.parts:
            return self._leaf(when, side)
        found = [held for part in when.parts if (held := self.holds(part, side)) is not None]
        needed = when.at_least or (len(when.parts) if when.all else 1)
        return set().union(*found) if len(found) >= needed else None

    def _leaf(self, when: When, side: Side | None) -> set[int] | None:
        weeks = gestation_weeks(self.exam)
        if when.gestation_weeks is not None and (weeks is None or not when.gestation_weeks.holds(weeks)):
            return None
        if when.sex is not None and self.exam.newborn.sex.value != when.sex:
            return None
        start = age_hours(self.exam, self.exam.details.started)
        of_age = when.age_hours is None or when.age_hours.holds(start)
        of_item = [one for one in self.pool if one.item.id == when.item]
        if when.item is None and when.not_examined:
            wanted = set(when.not_examined)
            why = {one.index: one.finding.not_examined for one in self.pool if one.finding.not_examined is not None}
            return {index for index, reason in why.items() if of_age and {"any", reason} & wanted} or None
        if when.item is None or when.not_recorded:
            return set() if of_age and not of_item else None
        if when.minus is not None:
            return self._pairs(when)
        fitting = {one.index for one in of_item if self._fits(one, when, side)}
        return fitting or None

    def _fits(self, one: FindingView, when: When, side: Side | None) -> bool:
        finding, judged = one.finding, one.judged
        if when.not_examined:
            asked = finding.not_examined is not None and {"any", finding.not_examined} & set(when.not_examined)
        else:
            asked = (
                finding.not_examined is None
                and (not when.answers or {finding.answer, judged and judged.counted} & {*when.answers})
                and (not when.meanings or (judged is not None and judged.meaning in when.meanings))
                and (not when.flags or (judged is not None and judged.flag in when.flags))
                and (when.number is None or self._lies(self._number(one, when), when))
            )
        sided = side is None or one.item.sides is not Sides.EACH or side_of(finding, self.catalogue) is side
        placed = not when.sites or (finding.site or one.item.body_site) in when.sites
        return bool(asked and sided and placed and self._aged(one, when))

    def _aged(self, one: FindingView, when: When) -> bool:
        return when.age_hours is None or when.age_hours.holds(
            age_hours(self.exam, made_at(one.finding, one.item, self.exam))
        )

    @staticmethod
    def _lies(value: Decimal | None, when: When) -> bool:
        return value is not None and when.number is not None and when.number.holds(value)

    def _number(self, one: FindingView, when: When) -> Decimal | None:
        value = one.finding.value
        if one.exact is not None:
            return one.exact
        if isinstance(value, At):
            return age_hours(self.exam, value.time)
        if isinstance(value, Quantities):
            return component_numbers(value, one.item, self.catalogue).get(when.component or "")
        if isinstance(value, Quantity) and value.comparator is not None:
            return None
        return number(one.finding, one.item, self.catalogue)

    def _pairs(self, when: When) -> set[int] | None:
        assert when.minus is not None
        found: set[int] = set()
        for one in self._numbers(when, when.item, when.sites):
            for other in self._numbers(when, when.minus.item or when.item, when.minus.sites):
                if one[0] != other[0] and self._lies(one[1] - other[1], when):
                    found |= {one[0], other[0]}
        return found or None

    def _numbers(self, when: When, item: str | None, sites: tuple[str, ...]) -> list[tuple[int, Decimal]]:
        return [
            (one.index, value)
            for one in self.pool
            if one.item.id == item and (not sites or one.finding.site in sites) and self._aged(one, when)
            if (value := self._number(one, when)) is not None
        ]
