"""In which form the cells of a column are written: dates, clocks, numbers, gestations, two sides."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

_DATES = (
    *("%d.%m.%Y", "%d.%m.%y", "%d/%m/%Y", "%m/%d/%Y", "%d/%m/%y", "%m/%d/%y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d"),
    *("%Y%m%d", "%d %b %Y", "%d-%b-%Y", "%d %B %Y", "%b %d %Y", "%B %d, %Y"),
)
_CLOCKS = ("%H:%M", "%H:%M:%S", "%H.%M", "%H%M", "%I:%M %p", "%I:%M%p", "%Hh%M")
ISO = ""
"""ISO 8601, for which a plan needs no format."""
_ISO_CLOCK = re.compile(r"([01]\d|2[0-3]):[0-5]\d(:[0-5]\d)?")
_NUMBER = re.compile(r"(?:[<>]=?\s*)?-?\d+(?:[.,]\d+)*")


def date_forms(cells: Sequence[str]) -> list[str]:
    """Every form of a date without a time of day in which all cells can be read."""
    return _forms(cells, _DATES, lambda text: re.fullmatch(r"\d{4}-\d\d-\d\d", text) is not None)


def clock_forms(cells: Sequence[str]) -> list[str]:
    """Every form of a time of day in which all cells can be read."""
    return _forms(cells, _CLOCKS, lambda text: _ISO_CLOCK.fullmatch(text) is not None)


def moment_forms(cells: Sequence[str]) -> list[str]:
    """Every form of a date with its time of day in which all cells can be read."""
    both = [f"{date}{gap}{clock}" for date in _DATES for gap in (" ", ", ", "T") for clock in _CLOCKS]
    return _forms(cells, both, lambda text: len(text) > 10 and _is_iso(text))


def _forms(cells: Sequence[str], forms: Iterable[str], is_iso: object) -> list[str]:
    assert callable(is_iso)
    if not cells:
        return []
    if all(is_iso(text) for text in cells):
        return [ISO]
    return [form for form in forms if all(_reads(text, form) for text in cells)]


def _is_iso(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _reads(text: str, form: str) -> bool:
    try:
        found = datetime.strptime(text, form)
    except ValueError:
        return False
    return 1900 <= found.year < 2200


def is_number(text: str) -> bool:
    """Whether a cell is a number, with whatever mark for its decimals."""
    return _NUMBER.fullmatch(text) is not None


@dataclass(frozen=True, slots=True)
class Decimals:
    """The numbers of a table by what their point or comma may be."""

    commas: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    either_comma: tuple[str, ...] = ()
    """Such as 3,250: decimals or thousands."""
    either_point: tuple[str, ...] = ()


def decimals(cells: Iterable[str]) -> Decimals:
    """The cells that hold a number, sorted."""
    found: dict[str, list[str]] = {"commas": [], "points": [], "either_comma": [], "either_point": []}
    for text in cells:
        match = re.match(r"(?:[<>]=?\s*)?-?(\d[\d.,]*\d)", text)
        marks = re.sub(r"\d", "", match[1]) if match else ""
        if not match or not marks:
            continue
        whole, _, rest = match[1].partition(marks[0])
        thousand = len(whole) <= 3 and whole != "0" and all(len(part) == 3 for part in rest.split(marks[0]))
        name = {",": "comma", ".": "point"}[marks[0]]
        if len(set(marks)) > 1:
            found["points" if marks[-1] == "." else "commas"].append(text)
        else:
            found[f"either_{name}" if thousand else f"{name}s"].append(text)
    return Decimals(**{name: tuple(texts) for name, texts in found.items()})


_PARTED = (
    (r"(\d{2})(?: [0-6]/7)?", r"\d{2} ([0-6])/7|\d{2}"),
    (r"(\d{2}) ?w\w*(?: ?[0-6] ?d\w*)?", r"\d{2} ?w\w* ?([0-6]) ?d\w*|\d{2} ?w\w*"),
)
"""Gestations such as ``38 3/7`` and ``38w3d`` (common practice): the patterns of the weeks and of the days."""


def parted_gestation(cells: Sequence[str]) -> tuple[str, str] | None:
    """The patterns of weeks and days in cells that hold both, or None where they are written otherwise."""
    for weeks, days in _PARTED:
        if cells and all(re.fullmatch(weeks, text) for text in cells):
            return weeks, days
    return None


def gestation_form(cells: Sequence[str]) -> str:
    """``weeks_and_days`` (39+4), ``weeks`` (39), ``total_days`` (277), ``decimal_weeks`` (39.57), ``point_or_day``
    (39.4, which may be either), or nothing."""
    every = [text for text in cells if text]
    if not every:
        return ""
    if all(re.fullmatch(r"\d{2}(\s*\+\s*[0-6])?", text) for text in every) and any("+" in text for text in every):
        return "weeks_and_days"
    if all(re.fullmatch(r"[23456]\d(\.0+)?", text) for text in every):
        return "weeks"
    if all(re.fullmatch(r"[123]\d\d(\.0+)?", text) for text in every):
        return "total_days"
    if all(re.fullmatch(r"\d{2}([.,]\d+)?", text) for text in every):
        tenths = [re.split(r"[.,]", text)[1] for text in every if not text.isdigit()]
        return "decimal_weeks" if any(len(rest) > 1 or rest > "6" for rest in tenths) else "point_or_day"
    return ""


@dataclass(frozen=True, slots=True)
class TwoSides:
    """Patterns that take each side's part of a cell; ``named``: the cell says which part is which."""

    left: str
    right: str
    named: bool


def two_sides(
    cells: Sequence[str], left: Sequence[str], right: Sequence[str], both: Sequence[str]
) -> TwoSides | None:
    """How the two sides stand in one cell, or None where they do not."""
    for mark in ("/", ";", "|", ","):
        for first, second, order in ((left, right, ("left", "right")), (right, left, ("right", "left"))):
            patterns = _named(cells, first, second, both, mark)
            if patterns is not None:
                found = dict(zip(order, patterns, strict=True))
                return TwoSides(found["left"], found["right"], True)
    part = r"[^/]+?"
    if cells and all(re.fullmatch(rf"{part}\s*/\s*{part}", text) for text in cells):
        return TwoSides(rf"({part})\s*/\s*{part}", rf"{part}\s*/\s*({part})", False)
    return None


def _named(
    cells: Sequence[str], first: Sequence[str], second: Sequence[str], both: Sequence[str], mark: str
) -> tuple[str, str] | None:
    """The patterns for the first and the second part, where words for the sides stand before them."""
    part = rf"[^{re.escape(mark)}]+?"
    seen: dict[str, set[str]] = {"first": set(), "second": set(), "both": set()}
    one, two, all_ = (_any(words) for words in (first, second, both))
    gap = r"\s*[:=.]?\s*"
    whole = re.compile(
        rf"(?i)(?P<first>{one}){gap}{part}(?:\s*{re.escape(mark)}\s*(?P<second>{two}){gap}{part})?"
        rf"|(?P<alone>{two}){gap}{part}|(?P<both>{all_}){gap}{part}"
    )
    pairs = 0
    for text in cells:
        match = whole.fullmatch(text)
        if match is None:
            return None
        for name, word in match.groupdict().items():
            if word:
                seen["second" if name == "alone" else name].add(word)
        pairs += bool(match["first"] and match["second"])
    if not pairs:
        return None
    a, b, c = (sorted(seen[name]) for name in ("first", "second", "both"))
    own, other, between = _any([*a, *c]), _any([*b, *c]), rf"\s*{re.escape(mark)}\s*"
    a_part, b_part = f"{_any(a)}{gap}{part}", f"{_any(b)}{gap}{part}"
    return (
        f"{own}{gap}({part})(?:{between}{b_part})?|{b_part}",
        f"(?:{a_part}{between})?{other}{gap}({part})|{a_part}",
    )


def _any(words: Iterable[str]) -> str:
    """Any of the words, none of which goes on."""
    ends = [rf"{re.escape(word)}\b" if word[-1].isalnum() else re.escape(word) for word in words]
    every = sorted(ends, key=len, reverse=True)
    return every[0] if len(every) == 1 else f"(?:{'|'.join(every)})"


def parts_of(cells: Iterable[str], pattern: str) -> Iterator[str]:
    """What a pattern takes of each cell."""
    compiled = re.compile(pattern)
    for text in cells:
        match = compiled.fullmatch(text)
        if match and match[1]:
            yield match[1].strip()
