"""Findings of a region as a table, in the order of the exam: where, what, what it means, how it was found."""

from __future__ import annotations

from itertools import pairwise

from adapter.catalogue import Flag, Item, ItemType, Meaning, Range
from adapter.derive import (
    Computed,
    FindingView,
    span_in_words,
)
from adapter.derive.view import ExamView
from adapter.derive.words import moment_in_words, time_in_words
from adapter.document import Block, Column, Row, Run, Table, Text, Tone, say
from adapter.exam import Side, Urgency, ValueKind
from adapter.write.account.gaps import place_of
from adapter.write.account.sources import Sources

_COLUMNS = (
    Column("Side, place", 2),
    Column("Found", 4),
    Column("Assessment", 2),
    Column("How, when, notes", 5),
)
_TONES = {Meaning.EXPECTED: Tone.PLAIN, Meaning.VARIANT: Tone.NOTED, Meaning.ABNORMAL: Tone.MARKED}
_FLAGS = {Flag.LOW: "low", Flag.LOW_CRITICAL: "very low", Flag.HIGH: "high", Flag.HIGH_CRITICAL: "very high"}
_BOTH = "left and right"


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
        rows.append(_row(one, view, sources, _BOTH if alike else None))
    label = view.catalogue.regions[region].label
    return [Table(label, (Column(label, 3), *_COLUMNS), tuple(rows))]


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
        where = ", ".join(filter(None, (side, alone)))
    tone = _TONES[judged.meaning] if judged else Tone.PLAIN
    found = say(Run(_value(one), _tone_of_value(tone)), _converted(one))
    return Row((say(item.label), say(where), found, _means(one), _how(one, view, sources)), tone)


def _value(one: FindingView) -> str:
    """What was found; a moment as people read it."""
    return moment_in_words(one.moment) if one.moment is not None else one.value_words


def _tone_of_value(tone: Tone) -> Tone:
    return Tone.STRONG if tone is Tone.MARKED else Tone.PLAIN


def _means(one: FindingView) -> Text:
    """In words, so that nothing rests on colour or on the bar."""
    judged = one.judged
    if judged is None:
        reason = one.not_judged
        return say(Run(f"not judged: {reason}" if reason else "not judged", Tone.QUIET))
    words = judged.meaning.value
    if judged.flag in _FLAGS:
        words = f"{words}, {_FLAGS[judged.flag]}"
    tone = {Meaning.EXPECTED: Tone.QUIET, Meaning.VARIANT: Tone.PLAIN, Meaning.ABNORMAL: Tone.STRONG}[judged.meaning]
    if judged.urgency is Urgency.TELL_NOW:
        return say(Run(words, tone), " ", Run("TELL NOW", Tone.LOUD))
    return say(Run(f"{words}{_TELL[judged.urgency]}", tone))


_TELL = {Urgency.NONE: "", Urgency.TELL: "; tell", Urgency.TELL_SOON: "; tell this shift"}


def _converted(one: FindingView) -> str:
    """The value in the item's unit, where it was captured in another."""
    item, units = one.item, one.facts.catalogue.units
    if item.unit is None:
        return ""
    if one.captured and (len(one.captured) > 1 or one.captured[0].unit != item.unit):
        return f" = {one.comparator or ''}{one.number:f}{units.shown(item.unit)}"
    if any(part.captured is not None and part.captured.unit != item.unit for part in one.parts):
        return f" = {'/'.join(f'{part.number:f}' for part in one.parts)}{units.shown(item.unit)}"
    return ""


def _how(one: FindingView, view: ExamView, sources: Sources | None) -> Text:
    finding, catalogue = one.finding, view.catalogue
    parts = []
    if one.computed is not None:
        parts.append(_made_by(one.computed, sources))
    if finding.method is not None:
        parts.append(catalogue.methods[finding.method].label)
    if finding.state is not None:
        parts.append(catalogue.states[finding.state].label)
    if finding.counted_seconds is not None:
        parts.append(f"counted for {finding.counted_seconds:f} s")
    if finding.observed_at is not None:
        parts.append(f"at {time_in_words(finding.observed_at, view.exam)}")
    if finding.urgency is not None and finding.urgency is not Urgency.NONE:
        parts.append("marked to be told by the examiner")
    parts += _ranges(one, view, sources)
    note = f"{chr(10) if parts else ''}{finding.note}" if finding.note else ""
    return say(Run("; ".join(parts), Tone.QUIET), note)


def _made_by(computed: Computed, sources: Sources | None) -> str:
    maker = computed.maker
    before = f", with exam{'s' * (len(computed.exams) > 1)} {', '.join(computed.exams)}" if computed.exams else ""
    if maker is None:
        return f"computed{before}"
    number = f" {sources.number(maker.source)}" if sources else ""
    return f"by a rule{number}{before}" if computed.urgency is not None else f"computed by {maker}{number}{before}"


def _ranges(one: FindingView, view: ExamView, sources: Sources | None) -> list[str]:
    """The expected range in force, of each number where there are several, and where it is from."""
    found = []
    for part in one.parts if one.kind is ValueKind.QUANTITIES else ():
        said = f"{part.label} {_FLAGS.get(part.judged.flag, part.judged.meaning.value)}" if part.judged else ""
        found.append(", ".join(filter(None, (said, _expected(part.expected, one.item, view, sources)))))
    if one.kind in (ValueKind.QUANTITY, ValueKind.SCORE, ValueKind.MOMENT):
        found.append(_expected(one.expected, one.item, view, sources))
    return [line for line in found if line]


def _expected(band: Range | None, item: Item, view: ExamView, sources: Sources | None) -> str:
    return f"range {in_force(band, item, view)}{_source(band, sources)}" if band else ""


def in_force(band: Range, item: Item, view: ExamView) -> str:
    """A range with the item's unit."""
    return f"{span_in_words(band)}{view.catalogue.units.shown(item.unit) if item.unit else ''}"


def _source(band: Range, sources: Sources | None) -> str:
    return f" {sources.number(band.source)}" if sources else ""


_SIGN_COLUMNS = (Column("Sign", 4), Column("Given", 5), Column("Points", 1))


def score_tables(view: ExamView) -> list[Block]:
    """Each scored instrument with its signs and points; without a total it says which signs are missing."""
    return [
        _score_table(one)
        for one in view.findings
        if one.kind is ValueKind.SCORE and one.item.type is ItemType.SCORE and one.parts
    ]


def _score_table(one: FindingView) -> Table:
    rows = tuple(Row((say(part.label), say(part.answer_label or ""), say(f"{part.number:f}"))) for part in one.parts)
    said = f"total {one.total}" if one.total is not None else "no total"
    lacking = f"; without {', '.join(one.missing)}" if one.missing else ""
    at = f", {moment_in_words(one.finding.observed_at)}" if one.finding.observed_at else ""
    return Table(f"{one.item.label}: {said}{lacking}{at}", _SIGN_COLUMNS, rows)


__all__ = ["in_force", "region_table", "score_tables"]
