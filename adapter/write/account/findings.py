"""Findings of a region as a table, in the order of the exam: where, what, what it means, how it was found."""

from __future__ import annotations

from itertools import pairwise

from adapter.catalogue import Item, ItemType, Meaning, Range, Words
from adapter.derive import Computed, FindingView, flag_in_words, span_in_words
from adapter.derive.view import ExamView
from adapter.derive.words import time_in_words
from adapter.document import Block, Column, Row, Run, Table, Text, Tone, say
from adapter.exam import Side, Urgency, ValueKind
from adapter.write.account.gaps import place_of
from adapter.write.account.sources import Sources

_COLUMNS = (("place", 2), ("found", 4), ("assessment", 2), ("how", 5))
_TONES = {Meaning.EXPECTED: Tone.PLAIN, Meaning.VARIANT: Tone.NOTED, Meaning.ABNORMAL: Tone.MARKED}


def region_table(view: ExamView, region: str, sources: Sources | None = None) -> list[Block]:
    """What was found in a region; nothing where nothing was. ``sources`` numbers the sources of ranges."""
    found = view.examined_in(region)
    if not found:
        return []
    rows = []
    alike = None
    for one, after in pairwise([*found, None]):
        assert one is not None
        if alike is not None:  # the right side of the row before
            alike = None
            continue
        alike = after if after is not None and _same_but_side(one, after) else None
        rows.append(_row(one, view, sources, view.catalogue.words.say("report.both_sides") if alike else None))
    label = view.catalogue.regions[region].label
    columns = (Column(view.catalogue.words.say(f"report.{key}"), share) for key, share in _COLUMNS)
    return [Table(label, (Column(label, 3), *columns), tuple(rows))]


def _same_but_side(one: FindingView, other: FindingView) -> bool:
    """Whether two findings are of the two sides of an item, and otherwise alike."""
    sides = {one.finding.side, other.finding.side}
    if sides != {Side.LEFT, Side.RIGHT} or one.computed or other.computed:
        return False
    return one.finding.model_copy(update={"side": None}) == other.finding.model_copy(update={"side": None})


def _row(one: FindingView, view: ExamView, sources: Sources | None, side: str | None) -> Row:
    finding, item, judged = one.finding, one.item, one.judged
    where = place_of(finding, view)
    if side is not None:
        alone = place_of(finding.model_copy(update={"side": None}), view)
        where = view.catalogue.words.listed((side, alone))
    tone = _TONES[judged.meaning] if judged else Tone.PLAIN
    found = say(Run(_value(one), _tone_of_value(tone)), _converted(one))
    return Row((say(item.label), say(where), found, _means(one), _how(one, view, sources)), tone)


def _value(one: FindingView) -> str:
    """What was found; a moment as people read it."""
    return one.facts.catalogue.words.moment(one.moment) if one.moment is not None else one.value_words


def _tone_of_value(tone: Tone) -> Tone:
    return Tone.STRONG if tone is Tone.MARKED else Tone.PLAIN


def _means(one: FindingView) -> Text:
    """In words, so that nothing rests on colour or on the bar."""
    judged, catalogue = one.judged, one.facts.catalogue
    words = catalogue.words
    if judged is None:
        reason = one.not_judged
        not_judged = (
            words.say("report.not_judged_because", reason=reason) if reason else words.say("report.not_judged")
        )
        return say(Run(not_judged, Tone.QUIET))
    means = words.listed((catalogue.meanings[judged.meaning].inline, flag_in_words(judged.flag, words)))
    tone = {Meaning.EXPECTED: Tone.QUIET, Meaning.VARIANT: Tone.PLAIN, Meaning.ABNORMAL: Tone.STRONG}[judged.meaning]
    if judged.urgency is Urgency.TELL_NOW:
        return say(Run(means, tone), " ", Run(words.say("report.tell_now"), Tone.LOUD))
    tell = words.say(_TELL[judged.urgency]) if judged.urgency in _TELL else ""
    return say(Run(words.clauses((means, tell)), tone))


_TELL = {Urgency.TELL: "report.tell", Urgency.TELL_SOON: "report.tell_soon"}


def _converted(one: FindingView) -> str:
    """The value in the item's unit, where it was captured in another."""
    item, units, words = one.item, one.facts.catalogue.units, one.facts.catalogue.words
    if item.unit is None:
        return ""
    if one.captured and (len(one.captured) > 1 or one.captured[0].unit != item.unit):
        return f" = {one.comparator or ''}{words.number(one.number or 0)}{units.shown(item.unit)}"
    if any(part.captured is not None and part.captured.unit != item.unit for part in one.parts):
        return f" = {'/'.join(words.number(part.number) for part in one.parts)}{units.shown(item.unit)}"
    return ""


def _how(one: FindingView, view: ExamView, sources: Sources | None) -> Text:
    finding, catalogue, words = one.finding, view.catalogue, view.catalogue.words
    parts = []
    if one.computed is not None:
        parts.append(_made_by(one.computed, sources, words))
    if finding.method is not None:
        parts.append(catalogue.methods[finding.method].label)
    if finding.state is not None:
        parts.append(catalogue.states[finding.state].label)
    if finding.counted_seconds is not None:
        parts.append(words.say("report.counted", seconds=finding.counted_seconds))
    if finding.observed_at is not None:
        parts.append(words.say("report.at", at=time_in_words(finding.observed_at, view.exam, words)))
    if finding.urgency is not None and finding.urgency is not Urgency.NONE:
        parts.append(words.say("report.marked"))
    parts += _ranges(one, view, sources)
    note = f"{chr(10) if parts else ''}{finding.note}" if finding.note else ""
    return say(Run(words.clauses(parts), Tone.QUIET), note)


def _made_by(computed: Computed, sources: Sources | None, words: Words) -> str:
    maker, exams = computed.maker, computed.exams
    before = words.say("report.with_exams", count=len(exams), exams=words.listed(exams)) if exams else ""
    if maker is None:
        return words.say("report.computed") + before
    number = f" {sources.number(maker.source)}" if sources else ""
    if computed.urgency is not None:
        return f"{words.say('report.by_rule')}{number}{before}"
    return f"{words.say('report.computed_by', maker=maker.said(words))}{number}{before}"


def _ranges(one: FindingView, view: ExamView, sources: Sources | None) -> list[str]:
    """The expected range in force, of each number where there are several, and where it is from."""
    found, words = [], view.catalogue.words
    for part in one.parts if one.kind is ValueKind.QUANTITIES else ():
        said = ""
        if part.judged is not None:
            how = flag_in_words(part.judged.flag, words) or view.catalogue.meanings[part.judged.meaning].inline
            said = words.say("report.part", part=part.label, how=how)
        found.append(words.listed((said, _expected(part.expected, one.item, view, sources))))
    if one.kind in (ValueKind.QUANTITY, ValueKind.SCORE, ValueKind.MOMENT):
        found.append(_expected(one.expected, one.item, view, sources))
    return [line for line in found if line]


def _expected(band: Range | None, item: Item, view: ExamView, sources: Sources | None) -> str:
    if band is None:
        return ""
    return f"{view.catalogue.words.say('report.range', range=in_force(band, item, view))}{_source(band, sources)}"


def in_force(band: Range, item: Item, view: ExamView) -> str:
    """A range with the item's unit."""
    return f"{span_in_words(band, view.catalogue.words)}{view.catalogue.units.shown(item.unit) if item.unit else ''}"


def _source(band: Range, sources: Sources | None) -> str:
    return f" {sources.number(band.source)}" if sources else ""


_SIGN_COLUMNS = (("sign", 4), ("given", 5), ("points", 1))


def score_tables(view: ExamView) -> list[Block]:
    """Each scored instrument with its signs and points; without a total it says which signs are missing."""
    return [
        _score_table(one)
        for one in view.findings
        if one.kind is ValueKind.SCORE and one.item.type is ItemType.SCORE and one.parts
    ]


def _score_table(one: FindingView) -> Table:
    words = one.facts.catalogue.words
    rows = tuple(
        Row((say(part.label), say(part.answer_label or ""), say(words.number(part.number)))) for part in one.parts
    )
    total = words.say("finding.total", total=one.total) if one.total is not None else words.say("report.no_total")
    lacking = words.say("report.without", signs=words.listed(one.missing)) if one.missing else ""
    said = words.clauses((total, lacking))
    if one.finding.observed_at is not None:
        said = words.listed((said, words.moment(one.finding.observed_at)))
    columns = tuple(Column(words.say(f"report.{key}"), share) for key, share in _SIGN_COLUMNS)
    return Table(words.say("is", what=one.item.label, value=said), columns, rows)


__all__ = ["in_force", "region_table", "score_tables"]
