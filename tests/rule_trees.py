"""Conditions of rules at random, of every form that DEVELOPERS.md lists, and what they mean by walking the tree.

The walk is the plain reading of that table, written apart from the steps that the program compiles and runs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from itertools import product

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

from adapter.catalogue import Catalogue, Flag, Item, ItemType, Meaning, Rule, Sides, Span, When
from adapter.derive import FindingView, age_hours, component_numbers, gestation_weeks, made_at, number
from adapter.derive.completeness import side_of
from adapter.derive.view import ExamView
from adapter.exam import At, Exam, Finding, Quantities, Quantity, Sex, Side, Status, Urgency
from strategies import exams

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


_OVER = st.sampled_from([{}, {}, {}, {"earlier": True}, {"times": 2}, {"times": 3, "within_hours": 6}])
"""Whether a leaf asks of earlier exams too: mostly not."""


def leaves(catalogue: Catalogue) -> SearchStrategy[When]:
    """Leaves of items or of the infant."""

    @st.composite
    def leaf(draw: DrawFn) -> When:  # without the catalogue among what it takes: its text is 2 MB, written each time
        return _leaf(draw, catalogue)

    return leaf()


def _leaf(draw: DrawFn, catalogue: Catalogue) -> When:
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
    return When.model_validate({"item": item.id, **given, **_asked(draw, item, catalogue)})


def _asked(draw: DrawFn, item: Item, catalogue: Catalogue) -> dict[str, object]:
    kind = draw(st.sampled_from(["answers", "meanings", "flags", "number", "minus", "gap", "none", "change"]))
    over: dict[str, object] = draw(_OVER)
    several = {"min_size": 1, "max_size": 3, "unique": True}
    sites = draw(st.lists(st.sampled_from(item.sites), **several)) if item.sites and draw(st.booleans()) else []
    component = draw(st.sampled_from(item.components)).id if item.components else None
    limits = item.component(component).limits if component else item.limits  # type: ignore[union-attr]
    low, high = limits.possible if limits else (Decimal(0), Decimal(10))
    number = {"component": component, "number": draw(spans(low, high))}
    match kind:
        case "answers" if item.answers:
            chosen = draw(st.lists(st.sampled_from(item.answers), **several))
            # how often an answer was given that counts as another in some infants is refused by the linter
            over = {} if "times" in over and any(a.when for a in chosen) else over
            return {"answers": [a.id for a in chosen], "sites": sites, **over}
        case "flags":
            return {"flags": draw(st.lists(st.sampled_from(Flag), **several)), "sites": sites, **over}
        case "number" if not item.answers or item.type is ItemType.TIME:
            return {**number, "sites": sites, **over}
        case "change" if item.unit is not None:
            change = draw(spans(Decimal(-3), Decimal(3)))
            return {"component": component, "change": change, "sites": sites, "within_hours": 24}
        case "minus" if item.unit is not None:
            other = {"head_circumference": "chest_circumference"}.get(item.id)
            number["number"] = draw(spans(Decimal(-30), Decimal(30)))
            return {**number, "sites": sites, "minus": {"item": other, "sites": list(item.sites[:2])}}
        case "gap":
            return {"not_examined": draw(st.lists(st.sampled_from(["any", *catalogue.reasons]), **several)), **over}
        case "none":
            return {"not_recorded": True}
    return {"meanings": draw(st.lists(st.sampled_from(Meaning), **several)), "sites": sites, **over}


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


@st.composite
def over_exams(draw: DrawFn, catalogue: Catalogue) -> tuple[Exam, list[Exam], list[When]]:
    """An exam, earlier ones of the newborn that found the same or near it, and leaves on what all of them found."""
    exam = draw(exams(catalogue, min_items=3, max_items=8, items=ITEMS))
    before = []
    plain = {"status": Status.FINAL, "amends": None, "first": None, "reason": None}
    for place in range(draw(st.integers(1, 3))):
        at = exam.details.started - timedelta(hours=2 * (3 - place))
        details = exam.details.model_copy(update={"id": f"before-{place}", "started": at, **plain})
        found = tuple(_near(draw, one) for one in exam.findings if draw(st.booleans()))
        before.append(exam.model_copy(update={"details": details, "findings": found, "told": ()}))
    known = [one for one in exam.findings if one.item in ITEMS] or [Finding(item="moro", value="complete_both")]
    asked = [_asked_over(draw, draw(st.sampled_from(known)), catalogue) for _ in range(draw(st.integers(2, 5)))]
    leaves_ = [When.model_validate(one) for one in asked if one]
    grouped = [_group_over(draw, known)]
    if leaves_:
        grouped += [When(all=tuple(leaves_[:2]), same_side=draw(st.booleans())), When(any=tuple(leaves_[-2:]))]
    return exam, before, [*leaves_, *grouped]


def _group_over(draw: DrawFn, known: Sequence[Finding]) -> When:
    """A group that counts over several exams."""
    found = [draw(st.sampled_from(known)) for _ in range(draw(st.integers(2, 4)))]
    over = {"ever": True} if draw(st.integers(0, 3)) == 0 else {"within_hours": draw(st.sampled_from(_HOURS))}
    asked = [
        {"answers": [one.answer]} if one.answer else {"not_examined": ["any"]} if one.not_examined else _JUDGED
        for one in found
    ]
    of = [When.model_validate({"item": one.item, **more}) for one, more in zip(found, asked, strict=True)]
    sides = draw(st.sampled_from([{}, {"same_side": True}, {"both_sides": True}]))
    return When.model_validate({"of": of, "at_least": 1 if "both_sides" in sides else 2, **over, **sides})


_HOURS = ("0.5", "2", "4", "6")
_JUDGED: dict[str, object] = {"meanings": [Meaning.VARIANT, Meaning.ABNORMAL]}


def _near(draw: DrawFn, one: Finding) -> Finding:
    """The same finding at the start of its exam, a number of it a little less or more, or its side the other."""
    value = one.value
    if isinstance(value, Quantity) and value.plus is None:
        value = value.model_copy(update={"value": max(Decimal(0), value.value + draw(st.integers(-2, 2)))})
    side = {Side.LEFT: Side.RIGHT, Side.RIGHT: Side.LEFT}.get(one.side) if draw(st.integers(0, 3)) == 0 else one.side  # type: ignore[arg-type]
    return one.model_copy(update={"observed_at": None, "value": value, "side": side})


def _asked_over(draw: DrawFn, one: Finding, catalogue: Catalogue) -> dict[str, object] | None:
    item, over = catalogue.items[one.item], draw(st.sampled_from(["earlier", "never", "times", "change"]))
    asked: dict[str, object] = {"item": one.item}
    if over != "earlier":
        asked["within_hours"] = draw(st.sampled_from([None, 2, 4, 6]))
    if over == "change":
        if item.unit is None:
            return None
        ends = st.sampled_from([{"low": ">0"}, {"high": "<=-1"}, {"low": ">=1", "high": "<2"}])
        component = item.components[0].id if item.components else None
        return {**asked, "change": draw(ends), "component": component}
    aged = one.answer is not None and any(a.when is not None and a.id == one.answer for a in item.answers)
    if one.answer and (over == "earlier" or not aged):
        asked["answers"] = [one.answer]
    elif one.not_examined:
        asked["not_examined"] = ["any"]
    else:
        asked["meanings"] = list(Meaning)
    return {**asked, **({over: True} if over in ("earlier", "never") else {"times": draw(st.integers(2, 3))})}


Key = int | tuple[str, int]
"""A finding: of this exam its index, of an earlier one its exam's id and its index there."""


def _how(one: FindingView) -> str | None:
    return one.finding.method or one.item.method


MADE = ("weight_change_percent", "size_for_gestation", "cchd_screen", "bilirubin_rise", "gestational_age_at_birth")
"""What is worked out in earlier exams and asked by rules."""


class Walk:
    """By which findings a condition holds, read off the tree itself: those of the exam by index, of earlier exams by
    exam and index."""

    def __init__(
        self, exam: Exam, pool: Sequence[FindingView], catalogue: Catalogue, before: Sequence[ExamView] = ()
    ) -> None:
        self.exam, self.pool, self.catalogue = exam, pool, catalogue
        self.before: dict[Key, FindingView] = {
            (view.exam.details.id, one.index): one
            for view in before
            for one in view.findings
            if one.computed is None or one.item.id in MADE
        }
        self.within: set[Key] | None = None

    def holds(self, when: When, side: Side | None = None) -> set[Key] | None:
        if when.counts_together:
            return self._group_over(when, side)
        if (when.same_side or when.both_sides) and side is None:
            sides = [found for each in (Side.LEFT, Side.RIGHT) if (found := self.holds(when, each)) is not None]
            return set().union(*sides) if len(sides) > when.both_sides else None
        if not when.parts:
            return self._leaf(when, side)
        found = [held for part in when.parts if (held := self.holds(part, side)) is not None]
        needed = when.at_least or (len(when.parts) if when.all else 1)
        return set().union(*found) if len(found) >= needed else None

    def _group_over(self, when: When, side: Side | None) -> set[Key] | None:
        """By this exam, or by what was found of several in as many hours from any moment on."""
        alone, longest = (
            when.model_copy(update={"within_hours": None, "ever": False}),
            timedelta(hours=10**6 if when.ever else float(when.within_hours or 0)),
        )
        held = [self.holds(alone, side)]
        everything: dict[Key, FindingView] = {**{one.index: one for one in self.pool}, **self.before}
        at = {k: made_at(one.finding, one.item, one.facts.exam) for k, one in everything.items()}
        for first in at.values():
            self.within = {
                k for k, one in everything.items() if one.item.lasting or first <= at[k] <= first + longest
            }
            found = self.holds(alone, side)
            of_own = {k for k in at if isinstance(k, int) and first <= at[k] <= first + longest}
            held.append(found if found and found & of_own else None)
        self.within = None
        some = [one for one in held if one is not None]
        return set().union(*some) if some else None

    def _leaf(self, when: When, side: Side | None) -> set[Key] | None:
        weeks = gestation_weeks(self.exam)
        if when.gestation_weeks is not None and (weeks is None or not when.gestation_weeks.holds(weeks)):
            return None
        if when.sex is not None and self.exam.newborn.sex.value != when.sex:
            return None
        start = age_hours(self.exam, self.exam.details.started)
        of_age = when.age_hours is None or when.age_hours.holds(start)
        of_item = [(key, one) for key, one in self._known().items() if one.item.id == when.item]
        if when.item is None and when.not_examined:
            wanted = set(when.not_examined)
            why = {k: one.finding.not_examined for k, one in self._known().items() if one.finding.not_examined}
            return {index for index, reason in why.items() if of_age and {"any", reason} & wanted} or None
        if when.item is None or when.not_recorded:
            return set() if of_age and not of_item else None
        if when.never:
            return self._never(when, side)
        if when.earlier or when.times or when.change:
            return self._over_exams(when, side)
        if when.minus is not None:
            return self._pairs(when)
        return {key for key, one in of_item if self._fits(one, when, side)} or None

    def _never(self, when: When, side: Side | None) -> set[Key] | None:
        longest, started = when.within_hours, self.exam.details.started
        earliest = None if longest is None else started - timedelta(hours=float(longest))
        for one in (*self.pool, *self.before.values()):
            at = made_at(one.finding, one.item, one.facts.exam)
            counts = one.facts.exam is self.exam or earliest is None or at >= earliest
            if counts and one.item.id == when.item and self._fits(one, when, side):
                return None
        return set()

    def _known(self) -> dict[Key, FindingView]:
        """What counts as found: all of this exam, and of earlier ones what lasts; or what a group counts."""
        if self.within is not None:
            found: dict[Key, FindingView] = {**{one.index: one for one in self.pool}, **self.before}
            return {key: one for key, one in found.items() if key in self.within}
        lasting = {key: one for key, one in self.before.items() if one.item.lasting}
        return {**{one.index: one for one in self.pool}, **lasting}

    def _over_exams(self, when: When, side: Side | None) -> set[Key] | None:
        here: dict[Key, FindingView] = {one.index: one for one in self.pool if one.item.id == when.item}
        before: dict[Key, FindingView] = {k: one for k, one in self.before.items() if one.item.id == when.item}
        fitting = {key for key, one in {**here, **before}.items() if self._fits(one, when, side)}
        at = {key: made_at(one.finding, one.item, one.facts.exam) for key, one in {**here, **before}.items()}
        if when.earlier:
            return {key for key in fitting & {*before} if at[key] < self.exam.details.started} or None
        longest = None if when.within_hours is None else timedelta(hours=float(when.within_hours))

        def near(one: Key, other: Key) -> bool:
            return longest is None or abs(at[one] - at[other]) <= longest

        found: set[Key] = set()
        if when.times:
            for first in fitting:
                some = {key for key in fitting if at[key] >= at[first] and near(first, key)}
                if some & {*here} and len({at[key] for key in some}) >= when.times:
                    found |= some
            return found or None
        assert when.change is not None
        for now, was in product(fitting & {*here}, {**here, **before}):
            one, other = here[now], {**here, **before}[was]
            values = self._number(one, when), self._number(other, when)
            pairs = ((one.side, other.side), (one.place, other.place), (_how(one), _how(other)))
            alike = all(a is None or b is None or a == b for a, b in pairs)
            if at[was] < at[now] and near(was, now) and alike and None not in values:
                found |= {now, was} if when.change.holds(values[0] - values[1]) else set()  # type: ignore[operator]
        return found or None

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
            age_hours(self.exam, made_at(one.finding, one.item, one.facts.exam))
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

    def _pairs(self, when: When) -> set[Key] | None:
        assert when.minus is not None
        found: set[Key] = set()
        for one in self._numbers(when, when.item, when.sites):
            for other in self._numbers(when, when.minus.item or when.item, when.minus.sites):
                if one[0] != other[0] and self._lies(one[1] - other[1], when):
                    found |= {one[0], other[0]}
        return found or None

    def _numbers(self, when: When, item: str | None, sites: tuple[str, ...]) -> list[tuple[Key, Decimal]]:
        return [
            (key, value)
            for key, one in self._known().items()
            if one.item.id == item and (not sites or one.finding.site in sites) and self._aged(one, when)
            if (value := self._number(one, when)) is not None
        ]
