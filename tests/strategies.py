"""Hypothesis strategies: any valid exam of a catalogue, over all kinds of items, sides, sites, units and gaps.

What they draw passes :func:`adapter.read.check_exam` without an error (it may well be warned of). All of it is
invented. Strategies are made once and kept: hypothesis looks into each new one anew, which costs more than drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from functools import cache
from math import ceil, floor
from typing import TypeVar

from hypothesis import strategies as st
from hypothesis.strategies import DrawFn, SearchStrategy

from adapter.catalogue import Catalogue, Item, ItemType, Sides
from adapter.catalogue.model import Limits
from adapter.derive.scores import slots
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
    Urgency,
)

_CHARACTERS = st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Cn"))
_USUAL = st.sampled_from("abcXYZ 0189.,;|/\\\"'=+-_<>&#[]{}éßø漢🍼\u2028")


@cache
def lines(longest: int = 40) -> SearchStrategy[str]:
    """Trimmed text on one line, with the characters that formats find hard."""
    return st.text(_USUAL | _CHARACTERS, min_size=1, max_size=longest).map(str.strip).filter(bool)


@cache
def texts(longest: int = 60) -> SearchStrategy[str]:
    """Trimmed text that may have several lines."""
    characters = _USUAL | _CHARACTERS | st.sampled_from("\n\t")
    return st.text(characters, min_size=1, max_size=longest).map(str.strip).filter(bool)


@cache
def numbers(low: Decimal, high: Decimal, places: int = 2) -> SearchStrategy[Decimal]:
    """Decimals between two limits, of up to so many places; trailing zeros are drawn as well."""

    def with_places(n: int) -> SearchStrategy[Decimal]:
        scale = 10**n
        first, last = ceil(low * scale), floor(high * scale)
        if first > last:
            return st.just(low)
        return st.integers(first, last).map(lambda i: Decimal(i).scaleb(-n))

    return st.integers(0, places).flatmap(with_places)


_QUARTERS = st.integers(-48, 56)  # of an hour, from the west to the east


@st.composite
def moments(draw: DrawFn, earliest: datetime, latest: datetime) -> datetime:
    """A moment between two, on a whole second, with an offset of its own."""
    seconds = draw(st.integers(0, int((latest - earliest).total_seconds())))
    offset = timezone(timedelta(minutes=15 * draw(_QUARTERS)))
    return (earliest + timedelta(seconds=seconds)).astimezone(offset)


@cache
def identifiers(prefix: str) -> SearchStrategy[Identifier]:
    """Identifiers whose values begin with a prefix, so that two sets of them never meet."""
    systems = st.sampled_from(["http://example.org/mrn", "urn:oid:2.999.1", "https://example.org/id/newborn"])
    return st.builds(Identifier, system=systems, value=lines(20).map(lambda v: f"{prefix}{v}"))


@cache
def _identifier_lists(prefix: str) -> SearchStrategy[tuple[Identifier, ...]]:
    return st.lists(identifiers(prefix), min_size=1, max_size=3, unique_by=str).map(tuple)


Drawn = TypeVar("Drawn")


@cache
def _maybe(strategy: SearchStrategy[Drawn]) -> SearchStrategy[Drawn | None]:
    return st.none() | strategy


@cache
def _rarely(strategy: SearchStrategy[Drawn]) -> SearchStrategy[Drawn | None]:
    return st.none() | st.none() | strategy


@cache
def _among(*several: Drawn) -> SearchStrategy[Drawn]:
    return st.sampled_from(several)


@st.composite
def newborns(draw: DrawFn, catalogue: Catalogue) -> Newborn:
    """Any newborn, with or without mother, gestation and birth order."""
    utc = draw(_BORN).replace(microsecond=0, tzinfo=timezone.utc)  # noqa: UP017
    count = draw(st.integers(2, 4))
    return Newborn(
        identifiers=draw(_identifier_lists("B")),
        **draw(_names()),
        sex=draw(st.sampled_from(Sex)),
        birth_time=draw(moments(utc, utc)),
        birth_order=draw(_maybe(_orders(count))),
        gestation=draw(_maybe(_gestations(tuple(m for m in _DATED_BY if m in catalogue.methods)))),
        mother=draw(_maybe(_mothers())),
    )


_BORN = st.datetimes(datetime(2001, 1, 1), datetime(2039, 1, 1))
_DATED_BY = ("ultrasound_dating", "last_menstrual_period", "conception_date", "maturity_score")


@cache
def _orders(count: int) -> SearchStrategy[BirthOrder]:
    return st.builds(BirthOrder, order=st.integers(1, count), of=_maybe(st.just(count)))


@cache
def _gestations(methods: tuple[str, ...]) -> SearchStrategy[Gestation]:
    days, method = _maybe(st.integers(0, 6)), _maybe(st.sampled_from(methods))
    return st.builds(Gestation, weeks=st.integers(22, 43), days=days, method=method)


@cache
def _mothers() -> SearchStrategy[Mother]:
    return st.tuples(_names(), _identifier_lists("M")).map(lambda drawn: Mother(identifiers=drawn[1], **drawn[0]))


@cache
def _names() -> SearchStrategy[dict[str, str]]:
    """A name as a line, in parts, both, or none; given names have one space between."""
    words = st.lists(lines().map(lambda line: "".join(line.split()) or "x"), min_size=1, max_size=3).map(" ".join)
    line = st.fixed_dictionaries({}, optional={"name": lines()})
    apart = st.fixed_dictionaries({"family": lines()}, optional={"name": lines(), "given": words, "prefix": words})
    return line | apart | st.fixed_dictionaries({"given": words}, optional={"name": lines()})


@st.composite
def details(draw: DrawFn, catalogue: Catalogue, newborn: Newborn) -> ExamDetails:
    """When, where and by whom, after birth; final, amended or retracted; anew after a wrong newborn."""
    started = draw(moments(newborn.birth_time, newborn.birth_time + timedelta(days=56)))
    ended = draw(moments(started, started + timedelta(hours=3))) if draw(_YES_OR_NO) else None
    exam_id, status = draw(_IDS), draw(st.sampled_from(Status))
    changed = status is not Status.FINAL
    later = draw(_maybe(_LATER))
    amends = draw(_IDS.filter(lambda i: i != exam_id)) if changed else None
    moved_from = draw(_rarely(_IDS.filter(lambda i: i not in (exam_id, amends))))
    return ExamDetails(
        id=exam_id,
        kind=draw(_among(*catalogue.kinds)),
        started=started,
        ended=ended,
        status=status,
        recorded=None if later is None else (ended or started) + timedelta(minutes=later // timedelta(minutes=1)),
        amends=amends,
        first=draw(_IDS.filter(lambda i: i != exam_id)) if changed and draw(_YES_OR_NO) else None,
        reassigned_from=moved_from,
        reason=draw(texts()) if changed or moved_from else None,
        place=draw(_maybe(lines())),
        encounter=draw(_maybe(identifiers("V"))),
        examiners=tuple(draw(_examiners(tuple(catalogue.roles)))),
    )


_YES_OR_NO = st.booleans()
_IDS = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9._\-]{0,20}", fullmatch=True)
_LATER = st.timedeltas(timedelta(minutes=1), timedelta(days=3))


@cache
def _examiners(roles: tuple[str, ...]) -> SearchStrategy[list[Examiner]]:
    """One identifier is one person: of two examiners under one, whose names could not both be hers, none is drawn."""
    role = st.sampled_from(roles)
    named = st.builds(Examiner, name=lines(), identifier=_maybe(identifiers("E")), role=role)
    known = st.tuples(_names(), identifiers("E"), role)
    identified = known.map(lambda drawn: Examiner(identifier=drawn[1], role=drawn[2], **drawn[0]))
    return st.lists(named | identified, min_size=1, max_size=2, unique_by=lambda e: str(e.identifier or e.name))


_OF_SIX = st.integers(0, 5)
_COUNTED = _among(Decimal(60), Decimal("30"), Decimal("59.5"), Decimal("15.0"))


class _Findings:
    """Draws the findings of one exam, item by item."""

    def __init__(self, draw: DrawFn, catalogue: Catalogue, newborn: Newborn, exam: ExamDetails) -> None:
        self.draw, self.catalogue, self.newborn, self.exam = draw, catalogue, newborn, exam
        self.latest = exam.ended or exam.started + timedelta(hours=6)

    def of(self, item: Item) -> list[Finding]:
        """The findings of one item: on one side or two, one answer or several, or none and the reason."""
        found = []
        for side in self._sides(item):
            if self.draw(_OF_SIX) == 0:
                reason = self.draw(_among(*self.catalogue.reasons))
                found.append(self._finding(item, side, None, not_examined=reason))
                continue
            site = self._site(item)
            if site is not None and self.catalogue.sites[site].side is not None:
                side = None
                if any(f.site == site or f.side is None for f in found):
                    continue
            found += [self._finding(item, side, site, **answered) for answered in self._answers(item)]
        return found

    def _sides(self, item: Item) -> list[Side | None]:
        both = [Side.LEFT, Side.RIGHT]
        match item.sides:
            case Sides.EACH:
                return self.draw(st.sampled_from([both, both[:1], both[1:]]))
            case Sides.OPTIONAL:
                own = any(self.catalogue.sites[s].side for s in item.sites)
                return self.draw(st.sampled_from([[None], both[:1], both[1:]] + ([] if own else [both])))
            case Sides.EITHER:
                return self.draw(st.sampled_from([[None], both[:1], both, [Side.BOTH]]))
            case Sides.PAIR:
                return [self.draw(st.sampled_from([None, Side.BOTH]))]
        return [None]

    def _site(self, item: Item) -> str | None:
        if item.site_required or (item.sites and self.draw(_YES_OR_NO)):
            return self.draw(_among(*item.sites))
        return None

    def _finding(self, item: Item, side: Side | None, site: str | None, **answered: object) -> Finding:
        draw = self.draw
        methods = [m for m in (*item.methods, item.method) if m]
        return Finding(
            item=item.id,
            side=side,
            site=site,
            method=draw(_maybe(_among(*methods))) if methods else None,
            state=draw(_maybe(_among(*self.catalogue.states))) if item.states else None,
            counted_seconds=draw(_maybe(_COUNTED)) if item.count_seconds else None,
            observed_at=draw(moments(self.exam.started, self.latest)) if draw(_YES_OR_NO) else None,
            urgency=draw(_rarely(_among(*Urgency))),
            note=draw(_rarely(texts())),
            **answered,
        )

    def _answers(self, item: Item) -> list[dict[str, object]]:
        draw = self.draw
        answers = [a.id for a in item.answers if self._possible(item, a.id)]
        match item.type:
            case ItemType.TEXT:
                return [{"text": draw(texts())}]
            case ItemType.QUANTITY:
                return [{"value": self._quantity(item)}]
            case ItemType.QUANTITIES:
                return [{"value": self._quantities(item)}]
            case ItemType.SCORE:
                return [{"value": self._score(item)}]
            case ItemType.TIME if not answers or draw(_YES_OR_NO):
                return [{"value": At(time=draw(moments(self.newborn.birth_time, self.exam.started)))}]
            case ItemType.CHOICES if draw(st.integers(0, 3)):
                some = [a for a in answers if not a.startswith("none")]
                several = draw(st.lists(_among(*some), min_size=1, max_size=3, unique=True))
                return [{"value": answer} for answer in several]
        if not answers or (draw(st.integers(0, 7)) == 0 and item.type is not ItemType.TIME):
            return [{"text": draw(texts())}]
        return [{"value": draw(_among(*answers))}]

    def _possible(self, item: Item, answer: str) -> bool:
        sex = self.newborn.sex
        return item.id != "genital_type" or answer in ("atypical", f"typical_{sex.value}")

    def _quantity(self, item: Item) -> Quantity:
        assert item.unit is not None
        units, own = self.catalogue.units, self.catalogue.units[item.unit]
        unit = own if self.draw(_YES_OR_NO) else self.draw(st.sampled_from(units.of_dimension(own.dimension)))
        spelling = self.draw(_among(unit.ucum, *unit.spellings))
        low, high = self._between(item.limits, item.unit, unit.ucum)
        if unit.ucum == "[lb_av]" and high > 1 and self.draw(_YES_OR_NO):
            pounds = self.draw(st.integers(int(low) + 1, int(high) - 1))
            ounces = self.draw(numbers(Decimal(0), Decimal("15.9"), 1))
            return Quantity(value=Decimal(pounds), unit=spelling, plus=Amount(value=ounces, unit="oz"))
        places = 0 if item.whole_numbers and unit is own else 2
        value = self.draw(numbers(low, high, places))
        comparator = self.draw(_rarely(_among(*Comparator)))
        return Quantity(value=value, unit=spelling, comparator=comparator)

    def _between(self, limits: Limits | None, unit: str, other: str) -> tuple[Decimal, Decimal]:
        """The possible limits in another unit, drawn in a little so that rounding cannot pass them."""
        low, high = limits.possible if limits else (Decimal(0), Decimal(1000))
        if other == unit:
            return low, high
        inward = (high - low) / 100
        ends = (low + inward, high - inward)
        first, last = (
            self.catalogue.units.convert(Quantity(value=end.quantize(Decimal("0.0001")), unit=unit), other)
            for end in ends
        )
        return first, last

    def _quantities(self, item: Item) -> Quantities:
        assert item.unit is not None
        units, own = self.catalogue.units, self.catalogue.units[item.unit]
        unit = own if self.draw(_YES_OR_NO) else self.draw(st.sampled_from(units.of_dimension(own.dimension)))
        found = {}
        for component in item.components:
            last = component is item.components[-1] and not found
            if component.required or last or self.draw(_YES_OR_NO):
                low, high = self._between(component.limits, item.unit, unit.ucum)
                found[component.id] = self.draw(numbers(low, high, 0 if item.whole_numbers and unit is own else 2))
        return Quantities(components=found, unit=self.draw(_among(unit.ucum, *unit.spellings)))

    def _score(self, item: Item) -> Score:
        signs = {}
        low = high = 0
        whole = self.draw(_YES_OR_NO)
        for slot in slots(item):
            sign = self.draw(st.sampled_from(slot))
            points = [a.points for one in slot for a in one.answers]
            if whole or self.draw(_YES_OR_NO):
                answer = self.draw(st.sampled_from(sign.answers))
                signs[sign.id] = answer.id
                points = [answer.points]
            low, high = low + min(points), high + max(points)
        if not item.signs and item.limits is not None:
            low, high = (int(end) for end in item.limits.possible)
        total = self.draw(st.integers(low, high))
        return Score(total=total if not signs or self.draw(_YES_OR_NO) else None, signs=signs)


@cache
def _several(names: tuple[str, ...], least: int, most: int) -> SearchStrategy[list[str]]:
    if not names:
        return st.just([])
    least, most = min(least, len(names)), min(most, len(names))
    return st.lists(st.sampled_from(names), min_size=least, max_size=most, unique=True)


@st.composite
def exams(
    draw: DrawFn,
    catalogue: Catalogue,
    *,
    min_items: int = 0,
    max_items: int = 12,
    items: Sequence[str] | None = None,
) -> Exam:
    """Any valid exam with so many of the catalogue's items (or of those named), each once or once a side.

    Computed items are left out: they are not captured. With ``min_items`` and ``max_items`` as large as the
    catalogue, all items that apply to the infant's sex are drawn.
    """
    newborn = draw(newborns(catalogue))
    exam = draw(details(catalogue, newborn))
    known = [catalogue.items[name] for name in (items if items is not None else catalogue.items)]
    open_to = (None, newborn.sex.value)
    free = tuple(i.id for i in known if not i.computed and i.sex in open_to)
    chosen = [catalogue.items[name] for name in draw(_several(free, min_items, max_items))]
    if any(item.id == catalogue.screening.readings for item in chosen):
        # a result drawn beside its readings would contradict them
        chosen = [item for item in chosen if item.id != catalogue.screening.item]
    drawn = _Findings(draw, catalogue, newborn, exam)
    return Exam(details=exam, newborn=newborn, findings=tuple(f for item in chosen for f in drawn.of(item)))
