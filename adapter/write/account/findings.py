"""Findings of a region as a table, in the order of the exam: where, what, what it means, how it was found."""

from __future__ import annotations

from itertools import pairwise

from adapter.catalogue import Flag, Item, ItemType, Meaning, Range
from adapter.derive import (
    Computed,
    Evidence,
    component_judgement,
    component_numbers,
    expected_range,
    missing_signs,
    score_total,
    span_in_words,
    value_in_words,
)
from adapter.document import Block, Column, Row, Run, Table, Text, Tone, say
from adapter.exam import At, Finding, Quantities, Quantity, Score, Side, Urgency
from adapter.write.account.gaps import place_of
from adapter.write.account.gathered import Account, moment, time_of
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


def region_table(account: Account, region: str, sources: Sources | None = None) -> list[Block]:
    """What was found in a region; nothing where nothing was. ``sources`` numbers the sources of ranges."""
    found = account.of_region(region)
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
        rows.append(_row(one, account, sources, _BOTH if alike else None))
    label = account.catalogue.regions[region].label
    return [Table(label, (Column(label, 3), *_COLUMNS), tuple(rows))]


def _same_but_side(one: Evidence, other: Evidence) -> bool:
    """Whether two findings are of the two sides of an item, and otherwise alike."""
    sides = {one.finding.side, other.finding.side}
    if sides != {Side.LEFT, Side.RIGHT} or one.computed or other.computed:
        return False
    return one.finding.model_copy(update={"side": None}) == other.finding.model_copy(update={"side": None})


def _row(one: Evidence, account: Account, sources: Sources | None, side: str | None) -> Row:
    finding, item, judged = one.finding, one.item, one.judged
    where = place_of(finding, account)
    if side is not None:
        alone = place_of(finding.model_copy(update={"side": None}), account)
        where = ", ".join(filter(None, (side, alone)))
    tone = _TONES[judged.meaning] if judged else Tone.PLAIN
    found = say(Run(value_of(finding, item, account), _tone_of_value(tone)), _converted(one, account))
    return Row((say(item.label), say(where), found, _means(one), _how(one, account, sources)), tone)


def value_of(finding: Finding, item: Item, account: Account) -> str:
    """What was found; a moment as people read it."""
    if isinstance(finding.value, At):
        return moment(finding.value.time)
    return value_in_words(finding, item, account.catalogue)


def _tone_of_value(tone: Tone) -> Tone:
    return Tone.STRONG if tone is Tone.MARKED else Tone.PLAIN


def _means(one: Evidence) -> Text:
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


def _converted(one: Evidence, account: Account) -> str:
    """The value in the item's unit, where it was captured in another."""
    value, item, catalogue = one.finding.value, one.item, account.catalogue
    if isinstance(value, Quantity) and item.unit is not None:
        unit = catalogue.units.find(value.unit)
        if value.plus is not None or unit is None or unit.ucum != item.unit:
            sign = value.comparator or ""
            return f" = {sign}{catalogue.amount(value, item):f}{catalogue.units.shown(item.unit)}"
    if isinstance(value, Quantities) and item.unit is not None:
        unit = catalogue.units.find(value.unit)
        if unit is None or unit.ucum != item.unit:
            numbers = "/".join(f"{number:f}" for number in component_numbers(value, item, catalogue).values())
            return f" = {numbers}{catalogue.units.shown(item.unit)}"
    return ""


def _how(one: Evidence, account: Account, sources: Sources | None) -> Text:
    finding, catalogue = one.finding, account.catalogue
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
        parts.append(f"at {time_of(finding.observed_at, account.exam)}")
    if finding.urgency is not None and finding.urgency is not Urgency.NONE:
        parts.append("marked to be told by the examiner")
    parts += _ranges(one, account, sources)
    note = f"{chr(10) if parts else ''}{finding.note}" if finding.note else ""
    return say(Run("; ".join(parts), Tone.QUIET), note)


def _made_by(computed: Computed, sources: Sources | None) -> str:
    maker = computed.maker
    if maker is None:
        return "computed"
    number = f" {sources.number(maker.source)}" if sources else ""
    return f"by a rule{number}" if computed.urgency is not None else f"computed by {maker}{number}"


def _ranges(one: Evidence, account: Account, sources: Sources | None) -> list[str]:
    """The expected range in force, of each number where there are several, and where it is from."""
    finding, item = one.finding, one.item
    if isinstance(finding.value, Quantities):
        found = []
        for name, number in component_numbers(finding.value, item, account.catalogue).items():
            component = item.component(name)
            label = component.label if component else name
            judged = component_judgement(finding, name, number, item, account.exam, account.catalogue)
            said = f"{label} {_FLAGS.get(judged.flag, judged.meaning.value)}" if judged else ""
            expected = _expected(finding, item, account, sources, name)
            found += [", ".join(filter(None, (said, expected)))] if said or expected else []
        return found
    if not isinstance(finding.value, Quantity | Score | At):
        return []
    expected = _expected(finding, item, account, sources)
    return [expected] if expected else []


def _expected(
    finding: Finding, item: Item, account: Account, sources: Sources | None, component: str | None = None
) -> str:
    expected = expected_range(finding, item, account.exam, account.catalogue, component)
    return f"range {in_force(expected, item, account)}{_source(expected, sources)}" if expected else ""


def in_force(band: Range, item: Item, account: Account) -> str:
    """A range with the item's unit."""
    return f"{span_in_words(band)}{account.catalogue.units.shown(item.unit) if item.unit else ''}"


def _source(band: Range, sources: Sources | None) -> str:
    return f" {sources.number(band.source)}" if sources else ""


_SIGN_COLUMNS = (Column("Sign", 4), Column("Given", 5), Column("Points", 1))


def score_tables(account: Account) -> list[Block]:
    """Each scored instrument with its signs and points; without a total it says which signs are missing."""
    return [
        _score_table(one, account)
        for one in account.pool
        if isinstance(one.finding.value, Score) and one.item.type is ItemType.SCORE and one.finding.value.signs
    ]


def _score_table(one: Evidence, account: Account) -> Table:
    score, item = one.finding.value, one.item
    assert isinstance(score, Score)
    rows = []
    for sign_id, answer_id in score.signs.items():
        sign = item.sign(sign_id)
        assert sign is not None, f"{item.id} has no sign {sign_id}"
        answer = next(answer for answer in sign.answers if answer.id == answer_id)
        rows.append(Row((say(sign.label), say(answer.label), say(str(answer.points)))))
    total = score_total(score, item)
    missing = missing_signs(score, item)
    said = f"total {total}" if total is not None else "no total"
    lacking = f"; without {', '.join(missing)}" if missing else ""
    at = f", {moment(one.finding.observed_at)}" if one.finding.observed_at else ""
    return Table(f"{item.label}: {said}{lacking}{at}", _SIGN_COLUMNS, tuple(rows))


__all__ = ["in_force", "region_table", "score_tables"]
