"""Exams that together use everything a catalogue has: every item with every answer, side, site, method, state,
reason, unit, range, sign and kind. Made by rule, not drawn, so that nothing is left to chance. All of it is invented.

:func:`every_exam` has them in every combination, :func:`some_exams` each once, in few exams: what a site rehearses.
What they hold passes :func:`adapter.read.check_exam` without an error (it may well be warned of).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from itertools import cycle
from typing import Any, TypeVar

from adapter.catalogue import Catalogue, Item, ItemType, Sides
from adapter.catalogue.model import Limits
from adapter.derive.computed import computed_findings
from adapter.derive.scores import slots
from adapter.derive.tell import tell_list
from adapter.derive.told import line_ids
from adapter.exam import (
    Amount,
    At,
    BirthOrder,
    Comparator,
    Exam,
    ExamDetails,
    Examiner,
    Finding,
    Gestation,
    Identifier,
    Mother,
    Newborn,
    Quantities,
    Quantity,
    Score,
    Sex,
    Side,
    Status,
    Telling,
    Urgency,
)

BORN = datetime(2026, 3, 1, 4, 12, tzinfo=timezone(timedelta(hours=1)))
STARTED = BORN + timedelta(hours=7, minutes=48)

# In exams of their own: the first says which sex-specific items an infant has, the second is otherwise made from
# the newborn's record.
_ALONE = ("genital_type", "gestational_age_at_birth")


T = TypeVar("T")


def every_exam(catalogue: Catalogue) -> list[Exam]:
    """The exams, each with as many items as go together; an item's next use stands in the next exam."""
    return _packed({item.id: list(uses_of(item, catalogue)) for item in catalogue.offered.values()}, catalogue)


def some_exams(catalogue: Catalogue) -> list[Exam]:
    """Everything at least once in few exams: each answer, side, place, method, unit and range of each item; states,
    reasons, urgencies and who was told in turn. The names of persons are given in parts."""
    items = list(catalogue.offered.values())
    uses = {item.id: list(_once(item, n, len(items), catalogue)) for n, item in enumerate(items)}
    return [with_tellings(_with_parts(exam), catalogue) for exam in _packed(uses, catalogue)]


def with_tellings(exam: Exam, catalogue: Catalogue) -> Exam:
    """The exam in which somebody of each role was told of a line of its list, in turn: read back, not, or unsaid."""
    tells = tell_list(exam, computed_findings(exam, catalogue), catalogue)
    (by, *_), roles = exam.details.examiners, list(catalogue.roles)
    told = tuple(
        Telling(
            line=line,
            at=STARTED + timedelta(hours=1, minutes=n),
            to=Examiner(name="Example Listener", role=roles[n % len(roles)]),
            by=by if n % 2 else None,
            read_back=(True, False, None)[n % 3],
            words="Said in invented words" if n % 4 == 0 else None,
        )
        for n, line in enumerate(line_ids(tells)[: len(roles)])
    )
    return exam.model_copy(update={"told": told})


def _packed(uses: dict[str, list[Finding]], catalogue: Catalogue) -> list[Exam]:
    alone = [finding for name in _ALONE for finding in uses.pop(name, [])]
    found: list[Exam] = []
    sexes = cycle((Sex.FEMALE, Sex.MALE, Sex.OTHER, Sex.UNKNOWN))
    while any(uses.values()):
        sex = next(sexes)
        open_to = (None, sex.value) if sex in (Sex.FEMALE, Sex.MALE) else (None, "female", "male")
        # a result and the readings it would be computed from, each by rule, would contradict each other
        waiting = catalogue.screening.readings if uses.get(catalogue.screening.item) else None
        names = [n for n, left in uses.items() if left and catalogue.items[n].sex in open_to and n != waiting]
        findings = [uses[name].pop(0) for name in names]
        found.append(_exam(len(found), sex, findings, catalogue))
    for finding in alone:
        found.append(_exam(len(found), Sex.UNKNOWN, [finding], catalogue))
    return found


def uses_of(item: Item, catalogue: Catalogue) -> Iterator[Finding]:
    """Findings of one item that differ in one thing each."""
    plain = next(_values(item, catalogue))
    sides, sites = _sides(item), _sites(item)
    side = None if sites[0] and catalogue.sites[sites[0]].side else sides[0]
    base = {"item": item.id, "side": side, "site": sites[0]}
    for value in _values(item, catalogue):
        yield Finding(**base, **value)
    for other in sides[1:]:
        for value in _values(item, catalogue) if item.offered else [plain]:
            site = next((s for s in sites if not s or catalogue.sites[s].side is None), None)
            yield Finding(item=item.id, side=other, site=site, **value)
    for site in sites[1:]:
        own = site is not None and catalogue.sites[site].side is not None
        for other in [None] if own else sides:
            yield Finding(item=item.id, side=other, site=site, **plain)
    for method in dict.fromkeys(m for m in (*item.methods, item.method) if m):
        yield Finding(**base, **plain, method=method)
    for state in catalogue.states if item.states else ():
        yield Finding(**base, **plain, state=state)
    for reason in catalogue.reasons:
        yield Finding(**base, not_examined=reason)
    if item.count_seconds is not None:
        yield Finding(**base, **plain, counted_seconds=Decimal("30.0"))
    for urgency in Urgency:
        yield Finding(**base, **plain, urgency=urgency, note=f'Marked {urgency.value}.\nInvented, with < & " signs.')
    yield Finding(**base, **plain, observed_at=STARTED + timedelta(minutes=7, seconds=30))


def _once(item: Item, number: int, count: int, catalogue: Catalogue) -> Iterator[Finding]:
    values, sides, sites = list(_values(item, catalogue, once=True)), _sides(item), _sites(item)
    own = sites[0] is not None and catalogue.sites[sites[0]].side is not None
    base: dict[str, Any] = {"item": item.id, "side": None if own else sides[0], "site": sites[0]}
    plain = values[0]
    yield from (Finding(**base, **value) for value in values)
    bare = next((s for s in sites if not s or catalogue.sites[s].side is None), None)
    yield from (Finding(item=item.id, side=side, site=bare, **plain) for side in sides[1:])
    for site in sites[1:]:
        sided = site is not None and catalogue.sites[site].side is not None
        yield Finding(item=item.id, side=None if sided else sides[0], site=site, **plain)
    for method in dict.fromkeys(m for m in (*item.methods, item.method) if m):
        yield Finding(**base, **plain, method=method)
    if item.states:
        yield from (Finding(**base, **plain, state=one) for one in _turn(list(catalogue.states), number, count))
    yield from (Finding(**base, not_examined=one) for one in _turn(list(catalogue.reasons), number, count))
    for urgency in _turn(list(Urgency), number, count):
        yield Finding(**base, **plain, urgency=urgency, note="An invented note.")


def _turn(some: Sequence[T], number: int, count: int) -> list[T]:
    """Some for each of so many in turn: one at least for each, and each of them at least once."""
    return list(dict.fromkeys([some[number % len(some)], *some[number::count]])) if some else []


def _with_parts(exam: Exam) -> Exam:
    """With family and given name, which many national profiles demand."""
    newborn, details = exam.newborn, exam.details
    mother = newborn.mother and newborn.mother.model_copy(update={"family": "Example", "given": "Mother"})
    known = newborn.model_copy(update={"family": "Example", "given": "Baby", "mother": mother})
    examiners = tuple(
        one.model_copy(update={"family": "Examiner", "given": "Example"}) if one.identifier else one
        for one in details.examiners
    )
    named = details.model_copy(update={"examiners": examiners})
    return exam.model_copy(update={"newborn": known, "details": named})


def _sides(item: Item) -> list[Side | None]:
    sides: dict[Sides, list[Side | None]] = {
        Sides.NONE: [None],
        Sides.EACH: [Side.LEFT, Side.RIGHT],
        Sides.OPTIONAL: [None, Side.LEFT, Side.RIGHT],
        Sides.PAIR: [None, Side.BOTH],
        Sides.EITHER: [None, Side.LEFT, Side.RIGHT, Side.BOTH],
    }
    return sides[item.sides]


def _sites(item: Item) -> list[str | None]:
    return list(item.sites) if item.site_required else [None, *item.sites]


def _values(item: Item, catalogue: Catalogue, *, once: bool = False) -> Iterator[dict[str, Any]]:
    """What the item can be answered with: value or text. ``once``: of spellings and numbers the telling ones."""
    for answer in item.offered:
        yield {"value": answer.id}
    match item.type:
        case ItemType.CHOICE | ItemType.CHOICES | ItemType.TEXT:
            yield {"text": "Something that no answer says; invented"}
        case ItemType.TIME:
            yield {"value": At(time=BORN + timedelta(hours=5, minutes=1))}
        case ItemType.QUANTITY:
            yield from ({"value": value} for value in _amounts(item, catalogue, once))
        case ItemType.QUANTITIES:
            yield from ({"value": value} for value in _several_amounts(item, catalogue, once))
        case ItemType.SCORE:
            yield from ({"value": value} for value in _scores(item, once))


def _amounts(item: Item, catalogue: Catalogue, once: bool) -> Iterator[Quantity]:
    assert item.unit is not None
    assert item.limits is not None
    numbers = [_middle(item.limits), *_edges(item, None, item.limits, once)]
    for number in dict.fromkeys(_whole(n, item.whole_numbers) for n in numbers):
        yield Quantity(value=number, unit=item.unit)
    middle = Quantity(value=_whole(numbers[0], item.whole_numbers), unit=item.unit)
    for comparator in Comparator:
        yield middle.model_copy(update={"comparator": comparator})
    if not item.whole_numbers:
        yield Quantity(value=numbers[0].quantize(Decimal("0.01")), unit=item.unit)
    for unit in catalogue.units.of_dimension(catalogue.units[item.unit].dimension):
        value = _whole(catalogue.units.convert(middle, unit.ucum), item.whole_numbers and unit.ucum == item.unit)
        for spelling in dict.fromkeys((unit.ucum, *(() if once else unit.spellings))):
            yield Quantity(value=value, unit=spelling)
        if unit.ucum == "[lb_av]" and value > 1:
            yield Quantity(value=value // 1, unit="lb", plus=Amount(value=Decimal("4.50"), unit="oz"))


def _several_amounts(item: Item, catalogue: Catalogue, once: bool) -> Iterator[Quantities]:
    assert item.unit is not None
    middle = {c.id: _whole(_middle(c.limits), item.whole_numbers) for c in item.components}
    required = {c.id: middle[c.id] for c in item.components if c.required} or dict([next(iter(middle.items()))])
    yield Quantities(components=middle, unit=item.unit)
    yield Quantities(components=required, unit=item.unit)
    for component in item.components:
        for number in _edges(item, component.id, component.limits, once):
            yield Quantities(components={**middle, component.id: _whole(number, item.whole_numbers)}, unit=item.unit)
    for unit in catalogue.units.of_dimension(catalogue.units[item.unit].dimension):
        numbers = {
            name: catalogue.units.convert(Quantity(value=number, unit=item.unit), unit.ucum)
            for name, number in middle.items()
        }
        for spelling in dict.fromkeys((unit.ucum, *(() if once else unit.spellings))):
            yield Quantities(components=numbers, unit=spelling)


def _middle(limits: Limits) -> Decimal:
    low, high = limits.plausible
    return ((low + high) / 2).quantize(Decimal("0.1"))


def _edges(item: Item, component: str | None, limits: Limits, once: bool) -> list[Decimal]:
    """Each end of each range and its two neighbours (``once``: those alone), where they are possible."""
    step = Decimal(1) if item.whole_numbers else Decimal("0.1")
    ends = {e.value for r in item.ranges if r.component == component for e in (r.low, r.high) if e is not None}
    low, high = limits.possible
    return [
        n for end in sorted(ends) for n in (end - step, *(() if once else (end,)), end + step) if low <= n <= high
    ]


def _whole(number: Decimal, whole: bool) -> Decimal:
    return number.quantize(Decimal(1)) if whole else number


def _scores(item: Item, once: bool) -> Iterator[Score]:
    """Every answer of every sign, complete and incomplete, and every total alone."""
    most = max((len(sign.answers) for sign in item.signs), default=0)
    several = max((len(one) for one in slots(item)), default=1)
    for n in range(most * several):
        signs_now = [one[n % len(one)] for one in slots(item)]
        answers = {sign.id: sign.answers[min(n // several, len(sign.answers) - 1)] for sign in signs_now}
        signs = {name: answer.id for name, answer in answers.items()}
        if not once:
            yield Score(signs=signs)
        yield Score(signs=signs, total=sum(answer.points for answer in answers.values()))
        if not (once and n):
            first = next(iter(signs))
            yield Score(signs={first: signs[first]})
    if item.limits is not None:
        low, high = (int(end) for end in item.limits.possible)
        yield from (Score(total=total) for total in ((low, high) if once else range(low, high + 1)))


def _exam(n: int, sex: Sex, findings: list[Finding], catalogue: Catalogue) -> Exam:
    kinds, roles = list(catalogue.kinds), list(catalogue.roles)
    examiner = Examiner(
        name="Example Examiner",
        identifier=None if n % 3 == 2 else Identifier(system="https://example.org/staff", value=f"E-{n % 7}"),
        role=roles[n % len(roles)],
    )
    status = (Status.FINAL, Status.FINAL, Status.AMENDED, Status.ENTERED_IN_ERROR)[n % 4]
    changed = {} if status is Status.FINAL else {"amends": f"every-{n:03}-first", "reason": "An invented reason."}
    details = ExamDetails(
        id=f"every-{n:03}",
        kind=kinds[n % len(kinds)],
        started=STARTED,
        ended=STARTED + timedelta(minutes=25) if n % 2 else None,
        status=status,
        place="Example ward" if n % 2 else None,
        encounter=Identifier(system="https://example.org/visit", value=f"V-{n}") if n % 5 == 1 else None,
        examiners=(examiner,),
        **changed,
    )
    mother = Mother(
        identifiers=(Identifier(system="https://example.org/mrn", value=f"M-{n}"),), name="Example Mother"
    )
    undated = n % 3 == 0 or any(finding.item == "gestational_age_at_birth" for finding in findings)
    newborn = Newborn(
        identifiers=(Identifier(system="https://example.org/mrn", value=f"B-{n}"),),
        name="Example, Baby" if n % 2 else None,
        sex=sex,
        birth_time=BORN,
        birth_order=BirthOrder(order=1 + n % 2, of=2) if n % 3 == 1 else None,
        gestation=None if undated else Gestation(weeks=34 + n % 8, days=None if n % 5 == 0 else n % 7),
        mother=mother if n % 2 == 0 else None,
    )
    return Exam(details=details, newborn=newborn, findings=tuple(findings))
