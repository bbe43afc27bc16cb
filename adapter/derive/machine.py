"""Runs the tables of ``compiled``: tests and steps as functions. The page's ``machine.mjs`` runs the same tables."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from operator import ge, gt, itemgetter, le, lt
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Protocol

from adapter.catalogue import Catalogue, Item
from adapter.derive.age import age_hours, gestation_weeks, hours_between, made_at, postmenstrual_weeks
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
    """One exam and all evidence of it, by item; under ``""`` that of every item.

    ``before`` is what earlier exams found, each finding at its own time; what lasts is in both. ``sifted`` has the
    evidence by the leaves that it may satisfy, where somebody sifted it (:mod:`adapter.derive.sieve`).
    """

    __slots__ = ("before", "by_item", "exam", "own", "sifted")

    def __init__(
        self,
        exam: Exam,
        pool: Sequence[Given],
        before: Sequence[Given] = (),
        sifted: Mapping[object, Sequence[Given]] = MappingProxyType({}),
    ) -> None:
        self.exam = exam
        self.sifted = sifted
        self.by_item: dict[str, list[Given]] = {"": list(pool)}
        for one in pool:
            self.by_item.setdefault(one.finding.__dict__["item"], []).append(one)
        self.before: dict[str, list[Given]] = {}
        for one in before:
            self.before.setdefault(one.finding.__dict__["item"], []).append(one)
        self.own = before[0].index if before else len(pool)

    def of_this_exam(self, item: str) -> list[Given]:
        """What this exam found of an item."""
        return [one for one in self.by_item.get(item, ()) if one.index < self.own]


Condition = Callable[[Scene], Held]
Find = Callable[[str, Sequence[RawTest]], Condition]


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


def condition(steps: Sequence[Step], catalogue: Catalogue, find: Find | None = None) -> Condition:
    """A rule's steps as one function, which leaves off as soon as it cannot hold any more.

    ``find`` makes the condition of an item and its tests, in place of one that looks through the item's findings.
    """
    stack: list[Condition] = []
    for op, *asked in steps:
        if op == "some":
            needed, of = asked
            parts = stack[-of:]
            del stack[-of:]
            stack.append(_all_of(parts) if needed == of else _some_of(parts, needed))
        elif op == "find" and find is not None:
            stack.append(find(*asked))
        elif op == "over":
            stack.append(_over(asked, catalogue, find))
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
        found = [one.index for one in candidates if meets(passes, one, exam)]
        return frozenset(found) if found else None

    return find


def _infant(asked: list[Any], catalogue: Catalogue) -> Condition:
    passes: Callable[..., bool] | None = every(asked[0], catalogue)
    return lambda scene: frozenset() if passes is None or passes(None, None, scene.exam, None, None) else None


def _none(asked: list[Any], catalogue: Catalogue) -> Condition:
    (item,) = asked
    return lambda scene: None if item in scene.by_item else frozenset()


def _never(asked: list[Any], catalogue: Catalogue) -> Condition:
    item, tests, apart = asked
    passes, lasted = every(tests, catalogue), span("", apart)

    def never(scene: Scene) -> Held:
        exam, started = scene.exam, scene.exam.details.started
        earlier = (
            one
            for one in scene.before.get(item, ())
            if lasted(hours_between(made_at(one.finding, one.item, exam), started))
        )
        known = (*scene.of_this_exam(item), *earlier)
        return None if any(meets(passes, one, exam) for one in known) else frozenset()

    return never


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


def _before(asked: list[Any], catalogue: Catalogue) -> Condition:
    item, passes = asked[0], every(asked[1], catalogue)

    def before(scene: Scene) -> Held:
        exam, started = scene.exam, scene.exam.details.started
        found = [
            one.index
            for one in scene.before.get(item, ())
            if made_at(one.finding, one.item, exam) < started and meets(passes, one, exam)
        ]
        return frozenset(found) if found else None

    return before


def _times(asked: list[Any], catalogue: Catalogue) -> Condition:
    item, tests, needed, apart = asked
    passes, lasted = every(tests, catalogue), span("", apart)

    def times(scene: Scene) -> Held:
        exam = scene.exam
        all_known = [*scene.of_this_exam(item), *scene.before.get(item, ())]
        ones = [(made_at(one.finding, one.item, exam), one.index) for one in all_known if meets(passes, one, exam)]
        found = set[int]()
        for first, _ in ones:
            near = [(at, index) for at, index in ones if at >= first and lasted(hours_between(first, at))]
            if len({at for at, _ in near}) >= needed and any(index < scene.own for _, index in near):
                found |= {index for _, index in near}
        return frozenset(found) if found else None

    return times


def _change(asked: list[Any], catalogue: Catalogue) -> Condition:
    item, tests, fields, name, low, high, apart = asked
    passes, number = every(tests, catalogue), _number(name, catalogue)
    holds, lasted, alike = span(low, high), span("", apart), [_field(path, catalogue) for path in fields]

    def change(scene: Scene) -> Held:
        exam, own = scene.exam, scene.of_this_exam(item)
        if not own:
            return None

        def known(ones: Sequence[Given]) -> list[tuple[int, datetime, Decimal, list[Any]]]:
            about = [(one.index, (one.finding, one.item, exam, one.judged, one.exact)) for one in ones]
            return [
                (index, made_at(given[0], given[1], exam), value, [field(*given) for field in alike])
                for index, given in about
                if (value := number(*given)) is not None
            ]

        earlier = known([*own, *scene.before.get(item, ())])
        found = [
            frozenset({now, was})
            for now, at, value, place in known([one for one in own if meets(passes, one, exam)])
            for was, since, before, where in earlier
            if since < at and _alike(where, place) and lasted(hours_between(since, at)) and holds(value - before)
        ]
        return _union(found, 1)

    return change


def _over(asked: list[Any], catalogue: Catalogue, find: Find | None = None) -> Condition:
    apart, items, steps = asked
    alone, holds, lasted = condition(steps, catalogue, find), condition(steps, catalogue), span("", apart)

    def over(scene: Scene) -> Held:
        held, exam = [alone(scene)], scene.exam
        if not scene.before:
            return held[0]
        known = [one for item in items for one in scene.by_item.get(item, ())]
        own = [one for one in known if one.index < scene.own]
        earlier = [one for item in items for one in scene.before.get(item, ()) if not one.item.lasting]
        lasting = [one for one in known if one.item.lasting]
        if earlier and own:
            timed = [(made_at(one.finding, one.item, exam), one) for one in (*own, *earlier)]
            for near in _windows(timed, lasted):
                found = holds(Scene(exam, [*lasting, *(one for one in near if not one.item.lasting)]))
                of_own = {one.index for one in near if one.index < scene.own}
                held.append(found if found and found & of_own else None)
        return _union([one for one in held if one is not None], 1)

    return over


def _windows(timed: list[tuple[datetime, Given]], lasted: Holds) -> Iterator[list[Given]]:
    """The largest runs of findings of which no two lie further apart; whatever holds by a part holds by the whole."""
    timed.sort(key=itemgetter(0))
    end = 0
    for start, (first, _) in enumerate(timed):
        before = end
        while end < len(timed) and lasted(hours_between(first, timed[end][0])):
            end += 1
        if end > before:
            yield [one for _, one in timed[start:end]]


def _alike(one: Sequence[Any], other: Sequence[Any]) -> bool:
    """Whether nothing that is known of both differs."""
    return all(a is None or b is None or a == b for a, b in zip(one, other, strict=True))


def meets(passes: Test | None, one: Given, exam: Exam) -> bool:
    """Whether a finding passes all of a test."""
    return passes is None or passes(one.finding, one.item, exam, one.judged, one.exact)


_STEPS: dict[str, Callable[[list[Any], Catalogue], Condition]] = {
    "find": _find,
    "infant": _infant,
    "none": _none,
    "never": _never,
    "pairs": _pairs,
    "before": _before,
    "times": _times,
    "change": _change,
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
