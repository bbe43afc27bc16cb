"""What tables call things: the catalogue's labels and codes, and the words of ``mappings/columns/words.yaml``."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from adapter.catalogue import Catalogue, Item, Sides, load_catalogue
from adapter.catalogue.files import mappings
from adapter.catalogue.model import Component, Sign
from adapter.catalogue.strict_yaml import read_yaml

_FOLDED = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "é": "e", "è": "e"})
_FILLERS = frozenset(("the", "of", "in", "at", "der", "die", "das", "des", "bei", "am", "im", "for", "score"))
_ALIKE = 0.8
"""How much a name must resemble a known one to be proposed."""


def folded(text: str) -> str:
    """A name without case, accents, brackets and points: words with one space between them."""
    return " ".join(re.findall(r"[^\W_]+|[+%#]", text.casefold().translate(_FOLDED)))


@dataclass(frozen=True, slots=True)
class Target:
    """What a column may be: a ``field`` of the record, or an ``item`` with its component or sign."""

    field: str = ""
    item: str = ""
    part: str = ""

    def __str__(self) -> str:
        return self.field or (f"{self.item}.{self.part}" if self.part else self.item)


@dataclass(frozen=True, slots=True)
class Name:
    """What a name was understood as. ``sure``: it is written as a known name is, and only one thing is called so."""

    targets: tuple[Target, ...] = ()
    sure: bool = False
    side: str = ""
    unit: str = ""
    site: str = ""


class Words:
    """The names that are known, in the language of a site, in English, and by code."""

    def __init__(self, catalogue: Catalogue, given: Mapping[str, Any]) -> None:
        self.catalogue, self.given = catalogue, given
        self._folded = {
            name: frozenset(folded(word) or word for word in map(str, words))
            for name, words in given.items()
            if isinstance(words, list)
        }
        self._index: dict[str, set[Target]] = {}
        self._shorter: dict[str, set[Target]] = {}
        self._sides = {folded(word): side for side in ("left", "right") for word in given[side]}
        self._sites = {folded(word): site.id for site in catalogue.sites.values() for word in (site.id, site.label)}
        self._units = {folded(word): ucum for ucum, words in given["units"].items() for word in words}
        for field, words in given["fields"].items():
            self._put(Target(field=field), words)
        for name, words in given["items"].items():
            item, _, part = name.partition(".")
            self._put(Target(item=item, part=part), words)
        for one in (catalogue, load_catalogue()):
            for item in one.offered.values():
                if item.id not in catalogue.items or catalogue.items[item.id].on:
                    self._put_item(item)
        self.answers = {name: dict(self._answers(item)) for name, item in catalogue.items.items()}

    def _put(self, target: Target, words: Any) -> None:
        for word in words:
            self._index.setdefault(folded(word), set()).add(target)
            self._shorter.setdefault(_short(folded(word)), set()).add(target)

    def _put_item(self, item: Item) -> None:
        codes = [code.code for code in item.codes if item.id in self.catalogue.items]
        self._put(Target(item=item.id), [item.id, item.label, *codes, *(f"LOINC {code}" for code in codes)])
        parts: list[Component | Sign] = [*item.components, *item.signs]
        for part in parts:
            names = (f"{item.id} {part.id}", f"{item.label} {part.label}", *(code.code for code in part.codes))
            self._put(Target(item=item.id, part=part.id), names)

    def _answers(self, item: Item) -> Iterator[tuple[str, str]]:
        english = load_catalogue().items.get(item.id, item)
        retired = {answer.id for answer in item.answers if not answer.on}
        for one in (english, item):
            yield from ((folded(word), a.id) for a in one.answers if a.id not in retired for word in (a.label, a.id))

    def unit(self, text: str) -> str:
        """A unit as the catalogue writes it (UCUM), or nothing where the text is none."""
        text = text.strip()
        known = self.catalogue.units.find(text)
        return known.ucum if known else self._units.get(folded(text), "")

    def side(self, text: str) -> str:
        """``left``, ``right``, ``both``, or nothing."""
        word = folded(text)
        return self._sides.get(word, "both" if word in self.folded("both") else "")

    def folded(self, name: str) -> frozenset[str]:
        """The words of a list of the file, folded."""
        return self._folded[name]

    def says(self, name: str, text: str) -> bool:
        """Whether a cell is a word of a list of the file; a mark such as ``-`` is itself."""
        return (folded(text) or text) in self._folded[name]

    def coded(self, name: str, text: str) -> str:
        """Which entry of a table of cells (``sex``, ``roles``, ``kinds``) a cell is; labels and ids count too."""
        known = getattr(self.catalogue, name, {})
        words: dict[str, str] = {folded(word): key for key, entry in known.items() for word in (key, entry.label)}
        words |= {folded(word): key for key, every in self.given[name].items() for word in every}
        return words.get(folded(text), "")

    def reason(self, text: str) -> str:
        """The reason for not examining whose id or label a cell is, or nothing."""
        for one in (self.catalogue, load_catalogue()):
            for reason in one.reasons.values():
                if folded(text) in (folded(reason.id), folded(reason.label)):
                    return reason.id
        return ""

    def name(self, text: str) -> Name:
        """What a column or an item of a long table is called, with the side, unit and site that its name holds; where
        nothing is called so, what it may mean."""
        found = self.known(text)
        if found.targets:
            return found
        rest, unit = self._without_unit(text)
        words, side, inner = list(self._variants(folded(rest)))[-1]
        if alone := self.unit(text):
            return Name(tuple(self._measured_in(alone)), False, "", alone)
        return Name(tuple(self._alike(words)), False, side, unit or inner)

    def known(self, text: str) -> Name:
        """The same without what merely resembles it."""
        parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
        bare = re.sub(r"[(\[][^()\[\]]*[)\]]", " ", text)
        every = (self._known(one) for one in dict.fromkeys((text, parted, bare)) if one.strip())
        return next((found for found in every if found.targets), Name())

    def _known(self, text: str) -> Name:
        rest, unit = self._without_unit(text)
        for words, side, inner in self._variants(folded(rest)):
            for key, site in self._without_site(words):
                targets = self._index.get(key) or self._shorter.get(_short(key)) or set()
                fitting = {target for target in targets if not side or self._has_sides(target)}
                if targets:
                    chosen = tuple(sorted(fitting or targets, key=str))
                    return Name(chosen, len(fitting) == 1, side, unit or inner, site)
        return Name()

    def _measured_in(self, unit: str) -> list[Target]:
        """What a column that is called by its unit alone may be."""
        units = self.catalogue.units
        items = [one for one in self.catalogue.offered.values() if one.unit in units and not one.computed]
        return [Target(item=one.id) for one in items if units[one.unit or ""].dimension == units[unit].dimension][:4]

    def _has_sides(self, target: Target) -> bool:
        item = self.catalogue.items.get(target.item)
        return item is not None and item.sides is not Sides.NONE

    def _without_unit(self, text: str) -> tuple[str, str]:
        """The name without a unit in brackets, and the unit."""
        for match in re.finditer(r"[(\[]([^()\[\]]+)[)\]]", text):
            if unit := self.unit(match[1]):
                return f"{text[: match.start()]} {text[match.end() :]}", unit
        return text, ""

    def _variants(self, words: str) -> Iterator[tuple[str, str, str]]:
        """The name as it stands, without its side, without a unit at its end, without both."""
        yield words, "", ""
        one, side = self._without_side(words.split())
        if len(one) < len(words.split()):
            yield " ".join(one), side, ""
        for count in (1, 2):
            unit = self.unit("/".join(one[-count:])) or self.unit(" ".join(one[-count:])) if len(one) > count else ""
            if unit:
                yield " ".join(one[:-count]), side, unit

    def _without_side(self, words: list[str]) -> tuple[list[str], str]:
        """Without a word for a side; a single letter counts at the beginning or the end alone. Both are none."""
        if {self._sides.get(word, "") for word in words[-2:]} == {"left", "right"}:
            return words[:-2], ""
        for place, word in enumerate(words):
            at_end = place in (0, len(words) - 1)
            if len(words) > 1 and word in self._sides and (len(word) > 2 or at_end):
                return words[:place] + words[place + 1 :], self._sides[word]
        return words, ""

    def _without_site(self, words: str) -> Iterator[tuple[str, str]]:
        yield words, ""
        for name, site in self._sites.items():
            if f" {name} " in f" {words} " and words != name:
                yield " ".join(f" {words} ".replace(f" {name} ", " ").split()), site

    def _alike(self, words: str) -> list[Target]:
        """What the name may mean: names that resemble it, or that hold all its words."""
        own = set(_short(words).split())
        near = difflib.get_close_matches(words, self._index, 3, _ALIKE) if len(words) > 3 else []
        near += [
            key
            for key in self._index
            if len(words) > 3 and own and own < set(key.split()) and 2 * len(own) >= len(key.split())
        ]
        found = dict.fromkeys(t for key in near for t in sorted(self._index[key], key=str) if t.item and not t.part)
        return list(found)[:4]


def _short(words: str) -> str:
    return " ".join(word for word in words.split() if word not in _FILLERS)


@lru_cache(maxsize=4)
def words_of(catalogue: Catalogue) -> Words:
    """The words for a catalogue."""
    given, problems = read_yaml(mappings() / "columns" / "words.yaml", "columns/words.yaml")
    assert not problems, problems
    return Words(catalogue, given)
