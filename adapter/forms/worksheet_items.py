"""One item of the catalogue as a question on paper."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Answer, Catalogue, Condition, Item, ItemType, Meaning, Range, Sides, Words
from adapter.derive import span_in_words
from adapter.document import Blank, Entry, Run, Text, Tick, Tone, say
from adapter.exam import Quantity, Urgency

MARKS = {Urgency.TELL_NOW: "!!", Urgency.TELL_SOON: "!s", Urgency.TELL: "!"}
"""The mark of an answer or a band that must be told."""
_URGENT = {Urgency.NONE: ""} | {urgency: f"\u00a0{mark}" for urgency, mark in MARKS.items()}
# So many places or methods are printed to be ticked; of more, one is written.
_FEW = 4


def blank(width: int, words: Words) -> Blank:
    """A line to write on, so many millimetres long."""
    return Blank(width, words.say("document.blank"))


def tick(words: Words, mark: str = "") -> Tick:
    """A box to tick."""
    return Tick(mark, words.say("document.tick_of", mark=mark) if mark else words.say("document.tick"))


def entry(item: Item, catalogue: Catalogue) -> Entry:
    """Label and *not examined*, then what can be answered, then range, counting, caution."""
    lines = [_label(item, catalogue), *_answers(item, catalogue.words), *_circumstances(item, catalogue)]
    if item.ranges:
        lines.append(say(Run(_ranges(item, catalogue), Tone.QUIET)))
    remarks = [item.how if _is_timed(item) else "", catalogue.caution(item)]
    if any(remarks):
        lines.append(say(Run(" ".join(filter(None, remarks)), Tone.QUIET)))
    return Entry(tuple(lines))


def _label(item: Item, catalogue: Catalogue) -> Text:
    """What is asked, the lines for a number, and the reason for not examining."""
    words = catalogue.words
    several = words.say("sheet.several") if item.type is ItemType.CHOICES else ""
    label = say(
        Run(item.label, Tone.STRONG),
        Run(f"{_only(item.sex, words)}{several}", Tone.QUIET),
        "  ",
        *_number(item, catalogue),
    )
    missed, left, right = (f"{words.say(f'sheet.{key}')}\u00a0" for key in ("not_examined", "left", "right"))
    if item.sides is Sides.EACH:
        return label + say(f"{missed}{left}", blank(5, words), f" {right}", blank(5, words))
    return label + say(missed, blank(6, words))


def _only(sex: str | None, words: Words) -> str:
    return words.say({"female": "sheet.girls", "male": "sheet.boys"}[sex]) if sex in ("female", "male") else ""


def _number(item: Item, catalogue: Catalogue) -> Iterator[str | Blank]:
    """Lines to write a number, several, a total or a moment on, with the units."""
    words = catalogue.words
    left, right, total, on, at = (
        f"{words.say(f'sheet.{key}')}\u00a0" for key in ("left", "right", "total", "on", "at")
    )
    match item.type:
        case ItemType.QUANTITY:
            for side in (left, right) if item.sides is Sides.EACH else ("",):
                yield from (side, blank(13, words), " ")
            yield f"{_units(item, catalogue)}   "
        case ItemType.QUANTITIES:
            for component in item.components:
                yield from (f"{component.label}\u00a0", blank(10, words), " ")
            yield f"{_units(item, catalogue)}   "
        case ItemType.SCORE:
            yield from (total, blank(9, words), "   ")
        case ItemType.TIME:
            yield from (on, blank(14, words), f" {at}", blank(10, words), "   ")


def _answers(item: Item, words: Words) -> Iterator[Text]:
    yield from _signs(item, words)
    if item.offered:
        yield say(*(part for answer in item.offered for part in _answer(answer, item, words)))


def _answer(answer: Answer, item: Item, words: Words) -> Iterator[str | Run | Tick]:
    """The boxes and the answer; spaces within a short one do not break, so that it stays whole."""
    if item.sides is Sides.EACH:
        yield from _side_ticks(words)
    else:
        yield tick(words)
    yield answer.label.replace(" ", "\u00a0") if len(answer.label) < 18 else answer.label
    yield Run(_URGENT[answer.urgency], Tone.STRONG)
    yield "  "


def _side_ticks(words: Words) -> Iterator[Tick]:
    yield from (tick(words, words.say(f"sheet.{side}")) for side in ("left", "right"))


def _signs(item: Item, words: Words) -> Iterator[Text]:
    for sign in item.signs:
        given = (part for a in sign.answers for part in (tick(words), f"{a.label}\u00a0{a.points}  "))
        yield say(words.say("label", what=f"{sign.label}{_only(sign.sex, words)}"), *given)


def _units(item: Item, catalogue: Catalogue) -> str:
    """The item's unit first, then the others that a value could well be read in; the right one is ringed."""
    if item.unit is None:
        return ""
    own = catalogue.units[item.unit]
    limits = item.limits or (item.components[0].limits if item.components else None)
    others = []
    for unit in catalogue.units.of_dimension(own.dimension):
        if unit is not own and limits is not None:
            high = catalogue.units.convert(Quantity(value=limits.plausible[1], unit=own.ucum), unit.ucum)
            if 1 <= high < 100_000:
                others.append(unit.ucum)
    others += [other.unit for other in item.other_units]
    symbols = [catalogue.units.shown(unit).strip() for unit in (own.ucum, *others)]
    return " / ".join(symbols)


def _circumstances(item: Item, catalogue: Catalogue) -> Iterator[Text]:
    """Counted time, state, side, place and method, where they matter."""
    words = catalogue.words
    parts: list[str | Run | Tick | Blank] = []
    if item.count_seconds is not None:
        parts += [words.say("sheet.counted"), blank(6, words), words.say("sheet.seconds")]
    if item.states:
        parts += [f"{words.say('sheet.state')} ", blank(5, words), "  "]
    if item.sides in (Sides.OPTIONAL, Sides.EITHER):
        parts += [f"{words.say('sheet.side')} ", *_side_ticks(words), "  "]
    if item.sites:
        parts += _choice("place_choice", words, [catalogue.sites[site].label for site in item.sites])
    if item.type is ItemType.QUANTITY and len(item.methods) > 1:
        parts += _choice("method", words, [catalogue.methods[method].label for method in item.methods])
    if parts:
        yield say(*parts)


def _choice(key: str, words: Words, labels: list[str]) -> list[str | Run | Tick | Blank]:
    word = words.say(f"sheet.{key}")
    if len(labels) > _FEW:
        return [f"{word} ", blank(20, words), "  "]
    return [f"{word} ", *(part for label in labels for part in (tick(words), f"{label}  "))]


def _is_timed(item: Item) -> bool:
    return item.count_seconds is not None or item.unit == "s"


def _ranges(item: Item, catalogue: Catalogue) -> str:
    """What is expected, and beyond what must be told, in the order of the bands."""
    words = catalogue.words
    expected = [_band(band, item, catalogue) for band in item.ranges if band.meaning is Meaning.EXPECTED]
    parts = [words.say("sheet.expected", ranges=words.clauses(expected))] if expected else []
    for urgency, mark in MARKS.items():
        beyond = [_band(band, item, catalogue) for band in item.ranges if band.urgency is urgency]
        parts += [words.say("sheet.beyond", mark=mark, ranges=words.clauses(beyond))] if beyond else []
    return " ".join(parts)


def _band(band: Range, item: Item, catalogue: Catalogue) -> str:
    words, component = catalogue.words, item.component(band.component) if band.component else None
    said = span_in_words(band, words, "sheet.range")
    said = words.say("sheet.component", component=component.label, range=said) if component else said
    when = _condition(band.when, catalogue)
    return words.say("beside", words=said, of=when) if when else said


def _condition(when: Condition, catalogue: Catalogue) -> str:
    """When a range applies, in words."""
    words = catalogue.words
    spans = {
        "age": when.age_hours,
        "gestation_weeks": when.gestation_weeks,
        "postmenstrual": when.postmenstrual_weeks,
    }
    parts = [words.say(f"sheet.{key}", range=span_in_words(span, words)) for key, span in spans.items() if span]
    parts += [catalogue.states[state].label for state in when.states]
    parts += [catalogue.sites[site].label for site in when.sites]
    parts += [catalogue.methods[method].label for method in when.methods]
    parts += [words.say(f"sex.{when.sex}")] if when.sex else []
    return words.listed(parts)
