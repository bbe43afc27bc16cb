"""Runs the tables of ``compiled``: tests and steps as functions. The page's ``machine.mjs`` runs the same tables."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from operator import ge, gt, le, lt
from typing import TYPE_CHECKING, Any, Protocol

from adapter.catalogue import Catalogue, Item
from adapter.derive.age import age_hours, gestation_weeks, made_at, postmenstrual_weeks
from adapter.derive.compiled import Step
from adapter.derive.compiled import Test as RawTest
from adapter.derive.numbers import exact_number
from adapter.exam import Exam, Finding

if TYPE_CHECKING:
    from adapter.derive.judgement import Judgement

Test = Callable[[Finding, Item, Exam, "Judgement | None", Decimal | None], bool]
"""Whether a finding, judged so and with this unrounded value, passes."""
Holds = Callable[[Decimal], bool]
Held = frozenset[int] | None
"""The indexes of the findings by which a condition holds; None where it does not hold."""


class Given(Protocol):
    """A finding that steps ask of: its index, item and judgement, and the unrounded value of a computed one."""

    @property
    def index(self) -> int: ...
    @property
    def finding(self) -> Finding: ...
    @property
    def item(self) -> Item: ...
    @property
    def judged(self) -> Judgement | None: ...
    @property
    def exact(self) -> Decimal | None: ...


class Scene:
    """One exam and all evidence of it, by item; under ``""`` that of every item."""

    __slots__ = ("by_item", "exam")

    def __init__(self, exam: Exam, pool: Sequence[Given]) -> None:
        self.exam = exam
        self.by_item: dict[str, list[Given]] = {"": list(pool)}
        for one in pool:
            self.by_item.setdefault(one.finding.__dict__["item"], []).append(one)


Condition = Callable[[Scene], Held]


def span(low: str, high: str) -> Holds:
    """Whether a number lies between two ends."""
    ends = [_end(end) for end in (low, high) if end]
    if len(ends) == 2:
        over, under = ends
        return lambda number: over(number) and under(number)
    return ends[0] if ends else lambda number: True


def end(text: str) -> tuple[str, Decimal]:
    """Comparator and number of an end."""
    comparator = text[: 2 if text[1] == "=" else 1]
    return comparator, Decimal(text[len(comparator) :])


_COMPARE: dict[str, Callable[[Decimal, Decimal], bool]] = {">": gt, ">=": ge, "<": lt, "<=": le}


def _end(text: str) -> Holds:
    comparator, limit = end(text)
    compare = _COMPARE[comparator]
    return lambda number: compare(number, limit)


def every(raw: Sequence[RawTest], catalogue: Catalogue) -> Test | None:
    """All tests of a table as one function; None where there is nothing to ask."""
    if not raw:
        return None
    first, rest = _test(raw[0], catalogue), every(raw[1:], catalogue)
    return first if rest is None else _both(first, rest)


def _both(one: Test, two: Test) -> Test:
    return lambda finding, item, exam, judged, exact: (
        one(finding, item, exam, judged, exact) and two(finding, item, exam, judged, exact)
    )


def _test(raw: RawTest, catalogue: Catalogue) -> Test:
    op, name, *asked = raw
    if op == "span":
        known, holds = _number(name, catalogue), span(*asked)
        return lambda *one: (number := known(*one)) is not None and holds(number)
    field, values = _field(name, catalogue), tuple(asked[0])
    root, _, own = name.partition(".")
    if op == "in" and root == "finding" and "|" not in own:  # asked most often
        return lambda finding, *_: finding.__dict__[own] in values
    if op == "in":
        return lambda *one: field(*one) in values
    return lambda *one: field(*one) not in values


_Field = Callable[[Finding, Item, Exam, "Judgement | None", Decimal | None], Any]


def _field(name: str, catalogue: Catalogue) -> _Field:
    first, *rest = [_path(path, catalogue) for path in name.split("|")]
    if not rest:
        return first

    def field(*one: Any) -> Any:
        found = first(*one)
        return next((other for path in rest if (other := path(*one)) is not None), None) if found is None else found

    return field


def _path(path: str, catalogue: Catalogue) -> _Field:
    """A path of the capture record or the catalogue; what is not there is None."""
    root, name = path.split(".")
    sites = catalogue.sites
    paths: dict[str, _Field] = {
        "finding": lambda finding, *_: finding.__dict__[name],
        "item": lambda finding, item, *_: getattr(item, name),
        "judged": lambda finding, item, exam, judged, exact: judged and getattr(judged, name),
        "site": lambda finding, *_: (s := sites.get(finding.site or "")) and getattr(s, name),
        "newborn": lambda finding, item, exam, *_: getattr(exam.newborn, name),
        "exam": lambda finding, item, exam, *_: getattr(exam.details, name),
    }
    return paths[root]


def _number(name: str, catalogue: Catalogue) -> Callable[..., Decimal | None]:
    kind, _, component = name.partition(".")
    numbers: dict[str, Callable[..., Decimal | None]] = {
        "age": lambda finding, item, exam, *_: age_hours(exam, made_at(finding, item, exam)),
        "start": lambda finding, item, exam, *_: age_hours(exam, exam.details.started),
        "postmenstrual": lambda finding, item, exam, *_: postmenstrual_weeks(exam, made_at(finding, item, exam)),
        "gestation": lambda finding, item, exam, *_: gestation_weeks(exam),
        "value": lambda finding, item, exam, judged, exact: exact_number(
            finding, item, exam, catalogue, component, exact
        ),
    }
    return numbers[kind]


def condition(steps: Sequence[Step], catalogue: Catalogue) -> Condition:
    """A rule's steps as one function, which leaves off as soon as it cannot hold any more."""
    stack: list[Condition] = []
    for op, *asked in steps:
        if op == "some":
            needed, of = asked
            parts = stack[-of:]
            del stack[-of:]
            stack.append(_all_of(parts) if needed == of else _some_of(parts, needed))
        else:
            stack.append(_STEPS[op](asked, catalogue))
    (whole,) = stack
    return whole


def _find(asked: list[Any], catalogue: Catalogue) -> Condition:
    item, passes = asked[0], every(asked[1], catalogue)

    def find(scene: Scene) -> Held:
        candidates = scene.by_item.get(item)
        if candidates is None:
            return None
        exam = scene.exam
        found = [
            one.index
            for one in candidates
            if passes is None or passes(one.finding, one.item, exam, one.judged, one.exact)
        ]
        return frozenset(found) if found else None

    return find


def _infant(asked: list[Any], catalogue: Catalogue) -> Condition:
    passes: Callable[..., bool] | None = every(asked[0], catalogue)
    return lambda scene: frozenset() if passes is None or passes(None, None, scene.exam, None, None) else None


def _none(asked: list[Any], catalogue: Catalogue) -> Condition:
    (item,) = asked
    return lambda scene: None if item in scene.by_item else frozenset()


def _pairs(asked: list[Any], catalogue: Catalogue) -> Condition:
    item, asks, other, other_asks, name, low, high = asked
    holds, number = span(low, high), _number(name, catalogue)
    first, second = every(asks, catalogue), every(other_asks, catalogue)

    def numbers(scene: Scene, item: str, passes: Test | None) -> list[tuple[int, Decimal]]:
        found = []
        for one in scene.by_item.get(item, ()):
            about = (one.finding, one.item, scene.exam, one.judged, one.exact)
            if (passes is None or passes(*about)) and (known := number(*about)) is not None:
                found.append((one.index, known))
        return found

    def pairs(scene: Scene) -> Held:
        if item not in scene.by_item:
            return None
        ones, others = numbers(scene, item, first), numbers(scene, other, second)
        found = [frozenset({i, j}) for i, value in ones for j, less in others if i != j and holds(value - less)]
        return _union(found, 1)

    return pairs


_STEPS: dict[str, Callable[[list[Any], Catalogue], Condition]] = {
    "find": _find,
    "infant": _infant,
    "none": _none,
    "pairs": _pairs,
}


def _union(held: Sequence[frozenset[int]], needed: int) -> Held:
    return frozenset().union(*held) if len(held) >= needed else None


def _all_of(parts: list[Condition]) -> Condition:
    def all_of(scene: Scene) -> Held:
        held = []
        for part in parts:
            found = part(scene)
            if found is None:
                return None
            held.append(found)
        return frozenset().union(*held)

    return all_of


def _some_of(parts: list[Condition], needed: int) -> Condition:
    return lambda scene: _union([found for part in parts if (found := part(scene)) is not None], needed)
