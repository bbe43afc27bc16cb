"""What the provider must be told, now, within this shift or at the next round, and what is still to be done."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from functools import lru_cache

from adapter.catalogue import Catalogue, Flag, Item, ItemType, Meaning, Range, Words
from adapter.catalogue.words import key_of
from adapter.derive.completeness import NotRecorded, completeness
from adapter.derive.finding import FindingView, Kept
from adapter.derive.judged import MOST_KEPT, finding_views
from adapter.derive.judgement import judged_as, worst
from adapter.derive.made import Computed, Earlier
from adapter.derive.words import bounds_in_words, in_words, where_in_words
from adapter.exam import Exam, Finding, Side, Status, Urgency


@dataclass(frozen=True, slots=True)
class Tell:
    """One line of the tell list.

    ``urgency`` none is a line of what is still to be done and need not be told now. ``rule`` names what put it on the
    list: a rule, an answer, a range, a gap or the examiner. ``because`` are the findings that the line stands for, in
    words; ``rests_on`` their indexes (captured findings first, then the computed ones).
    """

    urgency: Urgency
    item: Item
    finding: Finding | None
    side: Side | None
    words: str
    reason: str
    rule: str
    source: str
    to_do: bool = False
    because: tuple[str, ...] = ()
    rests_on: tuple[int, ...] = ()


def section_key(urgency: Urgency | None) -> str:
    """The last part of the keys of a section's words: by how soon; None is what was resolved."""
    return "resolved" if urgency is None else key_of(urgency.value)


def tell_list(
    exam: Exam,
    computed: Sequence[Computed],
    catalogue: Catalogue,
    pool: Sequence[FindingView] | None = None,
    gaps: Sequence[NotRecorded] | None = None,
) -> tuple[Tell, ...]:
    """The lines, most urgent first, then rules before single findings, then in exam order.

    A rule that holds stands for the findings it rests on: they are named in its line and not told again, unless one
    is more urgent than the rule. It is a list for a licensed person, not a diagnosis; an empty list does not mean
    that all is well. A retracted exam has nothing to tell. ``pool`` and ``gaps``: the findings with their
    judgements, and what is not recorded, where they are at hand.
    """
    if exam.details.status is Status.ENTERED_IN_ERROR:
        return ()
    if pool is None:
        pool = finding_views(exam, computed, catalogue)
    urgent = [one for one in pool if one.judged is not None and one.judged.urgency is not Urgency.NONE]
    covered = _covered(urgent)
    lines = [_line(one, pool, catalogue) for one in urgent if one.index not in covered]
    lines += [line for one in pool if one.finding.__dict__["not_examined"] and (line := _gap(one, exam, catalogue))]
    lines += [_to_compare(one, exam, catalogue) for one in pool if one.item.chart and one.not_judged is not None]
    lines += [
        _unrecorded(gap, exam, catalogue)
        for gap in (completeness(exam, catalogue) if gaps is None else gaps)
        if _owed(gap, computed, catalogue)
    ]
    return tuple(sorted(lines, key=_order))


_URGENCIES = tuple(Urgency)[::-1]


def _order(line: Tell) -> tuple[int, bool, bool, int, str]:
    return _URGENCIES.index(line.urgency), line.to_do, not line.because, line.item.position, line.words


def _covered(urgent: Sequence[FindingView]) -> set[int]:
    """The findings that another line stands for.

    A rule, a line of a table, or a difference of sides, stands for those of its findings that are not more urgent
    than itself. A difference of sides is in turn one with rules that stand for every side of it that must be told.
    """
    told = {one.index: one for one in urgent}
    by_rules: set[int] = set()
    by_sides: set[int] = set()
    differences = []
    for one in urgent:
        if one.computed is None or one.computed.urgency is None:
            continue
        parts = {i for i in one.computed.derived_from if i in told and _not_weaker(one, told[i])}
        if one.item.id == "side_difference":
            differences.append((one, parts))
            by_sides |= parts
        else:
            by_rules |= parts
    return by_rules | by_sides | {one.index for one, parts in differences if parts and parts <= by_rules}


def _not_weaker(one: FindingView, other: FindingView) -> bool:
    if one.judged is None or other.judged is None:
        return False
    return worst(one.judged.urgency, other.judged.urgency) is one.judged.urgency


def _line(one: FindingView, pool: Sequence[FindingView], catalogue: Catalogue) -> Tell:
    assert one.judged is not None
    words, reason, rule, source = _said(one, catalogue)
    because: tuple[str, ...] = ()
    rests_on: tuple[int, ...] = (one.index,)
    if one.computed is not None and one.computed.urgency is not None:
        words = one.finding.text or words
        rests_on = (one.index, *one.computed.derived_from)
        if one.item.id == "cross_finding":
            parts = [pool[index] for index in one.computed.derived_from]
            because = (
                *(part.words for part in parts),
                *(earlier_in_words(part, catalogue) for part in one.computed.earlier),
            )
    return Tell(
        urgency=one.judged.urgency,
        item=one.item,
        finding=one.finding,
        side=one.finding.side,
        words=words,
        reason=reason,
        rule=rule,
        source=source,
        because=because,
        rests_on=rests_on,
    )


def earlier_in_words(one: Earlier, catalogue: Catalogue) -> str:
    """A finding of an earlier exam with the exam's id."""
    words = in_words(one.finding, catalogue.items[one.finding.item], catalogue)
    return catalogue.words.say("of_exam", words=words, exam=one.exam)


def _said(one: FindingView, catalogue: Catalogue) -> tuple[str, str, str, str]:
    """A finding in words, and reason, rule and source of its line; of an answer they are always the same."""
    same = one.kept
    if same is None or same.words is None:
        return one.words, *_why(one, catalogue)
    known = _said_of(catalogue)
    said = known.get(same)
    if said is None:
        if len(known) >= MOST_KEPT:
            known.clear()
        said = known[same] = one.words, *_why(one, catalogue)
    return said


@lru_cache(maxsize=16)
def _said_of(catalogue: Catalogue) -> dict[Kept, tuple[str, str, str, str]]:
    """What has been said under a catalogue of findings that say the same."""
    return {}


def _why(one: FindingView, catalogue: Catalogue) -> tuple[str, str, str]:
    """Reason, rule and source of a line."""
    assert one.judged is not None
    finding, item, judged, words = one.finding, one.item, one.judged, catalogue.words
    if one.computed is not None and one.computed.urgency is not None and one.computed.maker is not None:
        maker = one.computed.maker
        return one.computed.reason, maker.id, source_in_words(maker.source, catalogue)
    counted = finding.answer if judged.counted is None else judged.counted
    own = item.answer(counted) if counted else None
    by_catalogue = own.urgency if own else (judged.band.urgency if judged.band else Urgency.NONE)
    if counted == "":
        by_catalogue = Urgency.TELL
    if by_catalogue is not judged.urgency:
        return words.say("tell.by_examiner"), "examiner", words.say("tell.examiner")
    if judged.band is not None:
        reason = words.clauses((_beyond(judged.band, item, catalogue), catalogue.caution(item)))
        return reason, range_line(item, judged.band), source_in_words(judged.band.source, catalogue)
    meaning = words.say("tell.abnormal" if judged.meaning is Meaning.ABNORMAL else "tell.variant")
    remark = judged_as(finding, item, judged, words, within=True)
    reason = words.clauses((meaning, remark, catalogue.caution(item)))
    return reason, f"{item.id}.{counted or finding.answer}", source_in_words(item.sources[0], catalogue)


def range_line(item: Item, band: Range) -> str:
    """What a line of a range is called by: the item, its component and the range."""
    return f"{item.id}[{band.component} {band}]" if band.component else f"{item.id}[{band}]"


def _beyond(band: Range, item: Item, catalogue: Catalogue) -> str:
    words = catalogue.words
    of_time = words.say("tell.hours_of_life") if item.type is ItemType.TIME else ""
    unit = catalogue.units.shown(item.unit) if item.unit else of_time
    how = flag_in_words(band.flag, words) or words.say("tell.abnormal")
    return words.say("is", what=how, value=f"{bounds_in_words(band, words)}{unit}")


def flag_in_words(flag: Flag, words: Words) -> str | None:
    """``low``, ``very low``, ``high``, ``very high``; None where a flag does not say on which side a number lies."""
    return words.say(f"range.{_FLAGS[flag]}") if flag in _FLAGS else None


_FLAGS = {Flag.LOW: "low", Flag.LOW_CRITICAL: "very_low", Flag.HIGH: "high", Flag.HIGH_CRITICAL: "very_high"}


def source_in_words(source: str, catalogue: Catalogue) -> str:
    """A source's label, and what must be known of one that nobody has seen; a growth reference names its own."""
    found = catalogue.sources.get(source)
    if found is None:
        return source
    return catalogue.words.say("tell.unsigned", source=found.label) if found.mark == "memory" else found.label


def _gap(one: FindingView, exam: Exam, catalogue: Catalogue) -> Tell | None:
    """A line for what was not examined, where it must be told or matters.

    In the last exam before the infant leaves, what would be told if it were missing is told with its reason too.
    """
    finding, item = one.finding, one.item
    reason = catalogue.reasons[finding.not_examined or ""]
    due = item.still_to_do and finding.not_examined != "not_applicable"
    told: set[str | None] = {"any", finding.not_examined} & set(item.tell_when_not_examined)
    kind = catalogue.kinds.get(exam.details.kind)
    if due and kind is not None and kind.last:
        told = {"any"}
    urgency = worst(finding.urgency, Urgency.TELL if told else None, reason.urgency)
    if urgency is Urgency.NONE and not due:
        return None
    return Tell(
        urgency=urgency,
        item=item,
        finding=finding,
        side=finding.side,
        words=one.words,
        reason=catalogue.words.clauses((catalogue.words.say("tell.to_do"), catalogue.caution(item))),
        rule=f"{item.id}.not_examined",
        source=source_in_words(item.sources[0], catalogue),
        to_do=True,
        rests_on=(one.index,),
    )


def _to_compare(one: FindingView, exam: Exam, catalogue: Catalogue) -> Tell:
    """A line for a value that the site's chart must judge, with the hour of the sample."""
    kind = catalogue.kinds.get(exam.details.kind)
    hours = one.age_hours.quantize(Decimal("0.1"), ROUND_HALF_UP)
    return Tell(
        urgency=Urgency.TELL if kind is not None and kind.last else Urgency.NONE,
        item=one.item,
        finding=one.finding,
        side=one.finding.side,
        words=catalogue.words.say("tell.measured", finding=one.words),
        reason=catalogue.words.say("tell.sample", reason=one.not_judged or "", hours=hours),
        rule=f"{one.item.id}.not_judged",
        source=source_in_words(one.item.sources[0], catalogue),
        to_do=True,
        rests_on=(one.index,),
    )


def _owed(gap: NotRecorded, computed: Sequence[Computed], catalogue: Catalogue) -> bool:
    return catalogue.items[gap.item].still_to_do and all(one.finding.item != gap.item for one in computed)


def _unrecorded(gap: NotRecorded, exam: Exam, catalogue: Catalogue) -> Tell:
    item = catalogue.items[gap.item]
    last = catalogue.kinds[exam.details.kind].last
    return Tell(
        urgency=Urgency.TELL if last else Urgency.NONE,
        item=item,
        finding=None,
        side=gap.side,
        words=catalogue.words.say("finding.not_recorded", what=where_in_words(item, gap.side, None, catalogue)),
        reason=catalogue.words.say("tell.to_do"),
        rule=f"{item.id}.not_recorded",
        source=source_in_words(item.sources[0], catalogue),
        to_do=True,
    )
