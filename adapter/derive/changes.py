"""One newborn's exam against earlier ones: what is new, changed, resolved, still not examined; the weight."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_HALF_UP, Decimal
from enum import StrEnum
from itertools import pairwise

from adapter.catalogue import Catalogue, Item, Meaning, Sides, Words
from adapter.derive.age import age_hours, made_at
from adapter.derive.bilirubin import MEASURED, levels, rise
from adapter.derive.completeness import side_of
from adapter.derive.judgement import judge
from adapter.derive.size import change_percent, latest, measured
from adapter.derive.versions import current_versions
from adapter.derive.words import in_words, value_in_words, where_in_words
from adapter.exam import Exam, Finding, Side, Status
from adapter.problems import AdapterError


class NotOneNewborn(AdapterError, ValueError):
    """The exams are not of one newborn: no identifier is shared."""


class ChangeKind(StrEnum):
    """What became of a finding since it was last looked at."""

    NEW = "new"
    CHANGED = "changed"
    RESOLVED = "resolved"
    NOT_EXAMINED = "still not examined"
    NOT_LOOKED_AT = "not looked at again"


@dataclass(frozen=True, slots=True)
class Change:
    """One item (and side) that is not as it was; ``since`` is the earlier exam it is compared with.

    ``now`` and ``was`` are the findings that are compared, with side, place and method.
    """

    kind: ChangeKind
    item: Item
    side: Side | None
    words: str
    since: str | None
    now: tuple[Finding, ...] = ()
    was: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Trend:
    """A series of measurements in words, oldest first."""

    label: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Changes:
    """All changes in the order of the exam, and the trends."""

    changes: tuple[Change, ...]
    trends: tuple[Trend, ...]


_Place = tuple[str, Side | None]
_Findings = dict[_Place, list[Finding]]

# What has a trend of its own.
_TRENDS = ("weight", "birth_weight", "weight_change_percent", *MEASURED)


def changes(earlier: Sequence[Exam], later: Exam, catalogue: Catalogue) -> Changes:
    """What changed in ``later`` since the earlier exams of the same newborn, whatever their order.

    Each item is compared with the last earlier exam that looked at it: one that could not examine it says nothing of
    how it was. An abnormal finding that the later exam does not hold is not resolved. Of an exam recorded in several
    versions the current one counts; a retracted one counts for nothing. Raises :class:`NotOneNewborn`.
    """
    ids = _ids(later, catalogue)
    for exam in earlier:
        if not ids & _ids(exam, catalogue):
            both = f"exam {exam.details.id} and exam {later.details.id}"
            raise NotOneNewborn(f"{both} share no identifier of the newborn")
    before = standing(earlier, later)
    return Changes(tuple(_changes(before, later, catalogue)), tuple(_trends([*before, later], catalogue)))


def changes_since(earlier: Sequence[Exam], exam: Exam, catalogue: Catalogue) -> Changes | None:
    """What changed since those of the exams that are earlier ones of this newborn; None where there is none."""
    before = earlier_of(earlier, exam, catalogue)
    return changes(before, exam, catalogue) if before else None


def earlier_of(exams: Sequence[Exam], exam: Exam, catalogue: Catalogue) -> list[Exam]:
    """Those of the exams that are of this newborn, began no later, and are no other version of this exam."""
    ids = _ids(exam, catalogue)
    return [
        other
        for other in exams
        if ids & _ids(other, catalogue)
        and other.details.root != exam.details.root
        and other.details.started <= exam.details.started
    ]


def _ids(exam: Exam, catalogue: Catalogue) -> set[str]:
    return {str(catalogue.resolve(i)) for i in exam.newborn.identifiers}


def growth_series(
    earlier: Sequence[Exam], exam: Exam, catalogue: Catalogue
) -> dict[str, tuple[tuple[Decimal, Decimal], ...]]:
    """Weight (g), length and head circumference (cm) over the exams: hours of life and value, oldest first.

    ``earlier`` are exams of the same newborn; of each the last exact measurement counts, for the weight the birth
    weight too.
    """
    exams = [*standing(earlier, exam), exam]
    series = {"weight": list(_weights(exams, catalogue))}
    for name in ("length", "head_circumference"):
        found = ((one, latest(one, name, "cm", catalogue)) for one in exams)
        series[name] = [
            (made_at(one.findings[last[0]], catalogue.items[name], one), last[1]) for one, last in found if last
        ]
    return {name: tuple((age_hours(exam, at), value) for at, value in points) for name, points in series.items()}


def standing(earlier: Sequence[Exam], later: Exam) -> list[Exam]:
    """The earlier exams that count, oldest first: of each the current version, unless it was entered in error."""
    found = [
        exam
        for exam in current_versions(earlier)
        if exam.details.status is not Status.ENTERED_IN_ERROR
        and exam.details.root != later.details.root
        and exam.details.started <= later.details.started
    ]
    return sorted(found, key=lambda exam: exam.details.started)


def _changes(before: Sequence[Exam], later: Exam, catalogue: Catalogue) -> Iterator[Change]:
    now = _by_place(later, catalogue)
    earlier = [(exam, _by_place(exam, catalogue)) for exam in before]
    places = dict.fromkeys([*now, *(place for _, held in earlier for place in held)])
    for place in sorted(places, key=lambda place: (catalogue.items[place[0]].position, place[1] or "")):
        item, side = catalogue.items[place[0]], place[1]
        if item.id in _TRENDS:
            continue
        looked = _looked_at(now.get(place, []))
        last = next((exam for exam, held in reversed(earlier) if _looked_at(held.get(place, []))), None)
        then = _looked_at(_by_place(last, catalogue)[place]) if last else []
        if looked:
            yield from _compared(item, side, looked, then, later, last, catalogue)
        else:
            tried = any(place in held for _, held in earlier)
            yield from _gap(item, side, now.get(place, []), then, last, tried, catalogue)


def _gap(
    item: Item,
    side: Side | None,
    missed: Sequence[Finding],
    then: Sequence[Finding],
    last: Exam | None,
    tried: bool,
    catalogue: Catalogue,
) -> Iterator[Change]:
    """What the later exam did not look at: with a reason, or not recorded at all."""
    was = [f for f in then if last and _meaning(f, item, last, catalogue) is not Meaning.EXPECTED]
    if missed:
        if missed[0].not_examined != "not_applicable" and (was or not then) and (tried or item.still_to_do):
            words = in_words(missed[0], item, catalogue)
            since = last.details.id if last else None
            old = _said(was, item, catalogue)
            words = _was(words, old, catalogue) if was else words
            yield Change(ChangeKind.NOT_EXAMINED, item, side, words, since, tuple(missed), tuple(was))
    elif last and any(_meaning(f, item, last, catalogue) is Meaning.ABNORMAL for f in was):
        words = _was(_not_recorded(item, side, catalogue), _said(was, item, catalogue), catalogue)
        yield Change(ChangeKind.NOT_LOOKED_AT, item, side, words, last.details.id, was=tuple(was))
    elif not then and item.still_to_do:
        yield Change(ChangeKind.NOT_EXAMINED, item, side, _not_recorded(item, side, catalogue), None)


def _not_recorded(item: Item, side: Side | None, catalogue: Catalogue) -> str:
    return catalogue.words.say("finding.not_recorded", what=where_in_words(item, side, None, catalogue))


def _was(words: str, before: str, catalogue: Catalogue) -> str:
    return catalogue.words.say("changes.was", words=words, before=before)


def _said(findings: Sequence[Finding], item: Item, catalogue: Catalogue) -> str:
    """What was found, with the side where the item is not told by sides, the place and the method."""
    return catalogue.words.clauses(sorted(_with_place(finding, item, catalogue) for finding in findings))


def _with_place(finding: Finding, item: Item, catalogue: Catalogue) -> str:
    words = value_in_words(finding, item, catalogue)
    sided = finding.side is not None and item.sides is not Sides.EACH
    parts = [catalogue.sides[finding.side].inline] if finding.side is not None and sided else []
    parts += [catalogue.sites[finding.site].inline] if finding.site else []
    parts += [catalogue.methods[finding.method].inline] if finding.method else []
    return catalogue.words.say("beside", words=words, of=catalogue.words.listed(parts)) if parts else words


def _compared(
    item: Item,
    side: Side | None,
    looked: Sequence[Finding],
    then: Sequence[Finding],
    later: Exam,
    last: Exam | None,
    catalogue: Catalogue,
) -> Iterator[Change]:
    notable = [f for f in looked if _meaning(f, item, later, catalogue) is not Meaning.EXPECTED]
    was = [f for f in then if last and _meaning(f, item, last, catalogue) is not Meaning.EXPECTED]
    same = _values(looked, item, catalogue) == _values(then, item, catalogue)
    if same or (not notable and not was):
        return
    since = last.details.id if last else None
    where, found = where_in_words(item, side, None, catalogue), _said(looked, item, catalogue)
    words, old = catalogue.words.say("is", what=where, value=found), _said(then, item, catalogue)
    compared = {"now": tuple(looked), "was": tuple(then)}
    unjudged = any(f.text is None and judge(f, item, later, catalogue) is None for f in looked)
    if was and (notable or unjudged):
        yield Change(ChangeKind.CHANGED, item, side, _was(words, old, catalogue), since, **compared)
    elif notable:
        words = _was(words, old, catalogue) if old else catalogue.words.say("changes.first", words=words)
        yield Change(ChangeKind.NEW, item, side, words, since, **compared)
    else:
        yield Change(ChangeKind.RESOLVED, item, side, _was(words, old, catalogue), since, **compared)


def _meaning(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue) -> Meaning:
    """What a finding means; one that nothing judges counts as expected unless the examiner described it."""
    judged = judge(finding, item, exam, catalogue)
    if judged is not None:
        return judged.meaning
    return Meaning.VARIANT if finding.text is not None else Meaning.EXPECTED


def _values(findings: Sequence[Finding], item: Item, catalogue: Catalogue) -> set[str]:
    return {f"{in_words(finding, item, catalogue)} {finding.method or ''}" for finding in findings}


def _looked_at(findings: Sequence[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.not_examined is None]


def _by_place(exam: Exam, catalogue: Catalogue) -> _Findings:
    """The findings by item, and by side where each side is examined; any site is part of what was found."""
    found: _Findings = {}
    for finding in exam.findings:
        each = catalogue.items[finding.item].sides is Sides.EACH
        place = (finding.item, side_of(finding, catalogue) if each else None)
        found.setdefault(place, []).append(finding)
    return found


def _trends(exams: Sequence[Exam], catalogue: Catalogue) -> Iterator[Trend]:
    weights = list(_weights(exams, catalogue))
    if len(weights) > 1:
        label = catalogue.words.say("changes.weight")
        yield Trend(label, tuple(_weight_lines(weights, exams[-1], catalogue.words)))
    for kind in MEASURED:
        series = sorted({(at, value) for exam in exams for _, at, value in levels(exam, kind, catalogue)})
        if len(series) > 1:
            yield Trend(catalogue.items[kind].label, tuple(_bilirubin_lines(series, exams[-1], catalogue.words)))


def _weights(exams: Sequence[Exam], catalogue: Catalogue) -> Iterator[tuple[datetime, Decimal]]:
    """Moment and grams: the birth weight first, then the last weight of each exam."""
    births = [one for exam in exams if (one := measured(exam, "birth_weight", "g", catalogue))]
    if births:
        yield exams[0].newborn.birth_time, births[-1][1]
    item = catalogue.items["weight"]
    for exam in exams:
        found = latest(exam, "weight", "g", catalogue)
        if found is not None:
            yield made_at(exam.findings[found[0]], item, exam), found[1]


def _weight_lines(weights: Sequence[tuple[datetime, Decimal]], exam: Exam, words: Words) -> Iterator[str]:
    """Each weight with the change since the one before, by the day, and since the first."""
    first = weights[0][1]
    yield words.say("changes.weight_at", hours=_age(exam, weights[0][0]), weight=first)
    for (before, low), (at, high) in pairwise(weights):
        days = age_hours(exam, at) / 24 - age_hours(exam, before) / 24
        daily = words.say("changes.daily", grams=_signed((high - low) / days, "1", words)) if days > 0 else ""
        yield words.say(
            "changes.weight_since",
            hours=_age(exam, at),
            weight=high,
            grams=_signed(high - low, "1", words),
            daily=daily,
            percent=_signed(change_percent(first, high), "0.1", words),
        )


def _bilirubin_lines(series: Sequence[tuple[datetime, Decimal]], exam: Exam, words: Words) -> Iterator[str]:
    yield words.say("changes.bilirubin_at", hours=_age(exam, series[0][0]), level=series[0][1])
    for (before, low), (at, high) in pairwise(series):
        rate = _signed(rise(low, before, high, at), "0.01", words) if at > before else ""
        hourly = words.say("changes.hourly", rate=rate) if rate else ""
        yield words.say("changes.bilirubin_since", hours=_age(exam, at), level=high, hourly=hourly)


def _age(exam: Exam, at: datetime) -> Decimal:
    return age_hours(exam, at).quantize(Decimal("0.1"), ROUND_HALF_UP)


def _signed(value: Decimal, places: str, words: Words) -> str:
    return words.signed(value.quantize(Decimal(places), ROUND_HALF_UP))


__all__ = [
    "Change",
    "ChangeKind",
    "Changes",
    "NotOneNewborn",
    "Trend",
    "changes",
    "changes_since",
    "earlier_of",
    "growth_series",
    "standing",
]
