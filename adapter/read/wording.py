"""Words for problems: near misses, lists of what is allowed, and values shown without flooding the line."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from adapter.catalogue import Item, ItemType, UnitTable
from adapter.catalogue.vocabulary import Unit
from adapter.read.places import printable


def shown(value: object) -> str:
    """A captured value in quotes, printable and short. Only for ids, units and numbers, never for names."""
    text = value if isinstance(value, str) else str(value)
    text = text if len(text) <= 40 else text[:37] + "..."
    return f"'{printable(text)}'"


def listed(words: Iterable[str], most: int = 12) -> str:
    """The words with commas, cut after ``most`` of them."""
    every = list(words)
    rest = len(every) - most
    return ", ".join(every[:most]) + (f" and {rest} more" if rest > 0 else "")


def near(word: object, words: Iterable[str]) -> list[str]:
    """The known words that look like what was written, best first."""
    if not isinstance(word, str):
        return []
    every = list(words)
    folded = word.strip().casefold().replace(" ", "_").replace("-", "_")
    same = [w for w in every if w.casefold().replace("-", "_") == folded]
    return same or difflib.get_close_matches(folded, every, n=3, cutoff=0.6)


def one_of(word: object, words: Iterable[str], most: int = 12) -> str:
    """A remedy: what was probably meant, else what is allowed."""
    every = list(words)
    close = near(word, every)
    allowed = f"one of {listed(every, most)}" if every else "nothing is allowed here"
    return f"did you mean {' or '.join(close)}? Allowed: {listed(every, most)}" if close else allowed


def units_of(item: Item, units: UnitTable) -> list[str]:
    """The units an item takes, as people write them."""
    if item.unit is None or item.unit not in units:
        return []
    return [unit_name(unit) for dimension in dimensions_of(item, units) for unit in units.of_dimension(dimension)]


def dimensions_of(item: Item, units: UnitTable) -> list[str]:
    """What the item's units measure: its own, and that of its other units."""
    known = [item.unit or "", *(other.unit for other in item.other_units)]
    return [units[ucum].dimension for ucum in known if ucum in units]


def unit_name(unit: Unit) -> str:
    """A unit as people write it: its UCUM code where that is plain, else its first spelling."""
    return unit.ucum if not unit.spellings or not set(unit.ucum) & set("[{") else unit.spellings[0]


def takes(item: Item, units: UnitTable) -> str:
    """What an item takes as its value, in one phrase."""
    match item.type:
        case ItemType.CHOICE:
            return f"one answer of {listed(a.id for a in item.offered)}"
        case ItemType.CHOICES:
            return f"one or more answers of {listed(a.id for a in item.offered)}"
        case ItemType.QUANTITY:
            return f"a number with its unit ({listed(units_of(item, units))})"
        case ItemType.QUANTITIES:
            names = listed(c.id for c in item.components)
            return f"the numbers of {names} with their unit ({listed(units_of(item, units))})"
        case ItemType.SCORE:
            signs = listed(s.id for s in item.signs)
            return "a score: its total" + (f", its signs ({signs}), or both" if signs else "")
        case ItemType.TIME:
            answers = f", or one answer of {listed(a.id for a in item.offered)}" if item.answers else ""
            return "a moment, such as 2026-03-01T08:30:00+01:00" + answers
        case ItemType.TEXT:
            return "words, in the field text"
