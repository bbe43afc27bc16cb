"""The cells of one column as the answers, numbers or words that an item takes."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from adapter.catalogue import Item, ItemType, Meaning
from adapter.catalogue.units import UnknownUnit, WrongDimension
from adapter.exam.quantity import Quantity
from adapter.read.draft.forms import clock_forms, is_number, moment_forms, parts_of
from adapter.read.draft.tree import Open
from adapter.read.draft.words import Words, folded
from adapter.read.plan.build import AMOUNT
from adapter.read.wording import listed, units_of

_MOST_ANSWERS = 60
"""Different cells of a column that are each asked about; more of them are words, and no answers."""
_SPLITS = (";", ",", "+")


@dataclass(frozen=True, slots=True)
class CellReader:
    """What the cells of an item become in a plan."""

    words: Words

    def value(self, item: Item, cells: Counter[str], source: dict[str, Any], unit: str) -> dict[str, Any]:
        """The fields that hold a finding's value. ``source`` names the column, and what of its cells is taken."""
        texts = [text for text in self._parts(cells, source) if folded(text) not in self.words.folded("missing")]
        match item.type:
            case ItemType.CHOICE:
                return self._choice(item, texts, source)
            case ItemType.CHOICES:
                return self._choices(item, texts, source)
            case ItemType.QUANTITY:
                return self._quantity(item, texts, source, unit)
            case ItemType.SCORE:
                return {"total": source | self._no_numbers(texts)}
            case ItemType.TIME:
                return self._time(item, texts, source)
            case ItemType.QUANTITIES:
                return {"components": {}, "unit": self.unit(item, texts, unit)}
        return {"text": source}

    def _parts(self, cells: Counter[str], source: dict[str, Any]) -> list[str]:
        """What is taken of the cells, the commonest first."""
        if "pattern" in source:
            return list(dict.fromkeys(parts_of(cells, str(source["pattern"]))))
        return [text for text, _ in cells.most_common()]

    def _choice(self, item: Item, texts: list[str], source: dict[str, Any]) -> dict[str, Any]:
        if len(texts) > _MOST_ANSWERS:
            why = f"{len(texts)} different cells: are these answers of {item.id}?"
            return {"value": source | {"map": {texts[0]: Open("", why)}}}
        reasons: dict[str, str | Open] = {t: found for t in texts if (found := self._reason(t))}
        answers = {text: self.answer(item, text) for text in texts if text not in reasons}
        doubted = [text for text, found in answers.items() if self._may_lack(text, found)]
        mapped = {text: answer for text, answer in answers.items() if text not in doubted}
        fields = source | ({"map": mapped} if mapped else {})
        if doubted or reasons:
            fields["missing"] = [*reasons, *(Open(t, "nothing recorded? else an answer, in map") for t in doubted)]
        if not reasons:
            return {"value": fields}
        others = [text for text in texts if text not in reasons]
        return {"value": fields, "not_examined": source | {"map": reasons, "missing": others}}

    def _reason(self, text: str) -> str | Open:
        """The reason for which a cell says that something was not examined; a question where it names none."""
        if known := self.words.reason(text):
            return known
        unsaid = self.words.says("not_examined", text)
        return Open("", f"why not; one of {listed(self.words.catalogue.reasons, 20)}") if unsaid else ""

    def _may_lack(self, text: str, answer: str | Open) -> bool:
        """Whether a cell may be a mark for missing: no answer is written so, nor nearly so."""
        return isinstance(answer, Open) and not answer.proposal and self.words.says("perhaps_missing", text)

    def answer(self, item: Item, text: str) -> str | Open:
        """The answer whose id or label a cell is; else a question with what it may be."""
        known = self.words.answers[item.id]
        word = folded(text)
        if word in known:
            return known[word]
        listed_ids = f"one of {listed((a.id for a in item.offered), 8)}"
        if word in self.words.folded("expected"):
            normal = [a.id for a in item.answers if a.meaning is Meaning.EXPECTED]
            return Open(normal[0] if len(normal) == 1 else "", listed_ids)
        near = get_close_matches(word, known, 1, 0.75)
        own = set(word.split())
        near += [label for label in known if len(word) > 2 and own and own <= set(label.split())]
        ids = list(dict.fromkeys(known[label] for label in near))
        return Open(ids[0] if len(ids) == 1 else "", listed_ids)

    def _choices(self, item: Item, texts: list[str], source: dict[str, Any]) -> dict[str, Any]:
        mark = next((m for m in _SPLITS if any(m in text.strip(m) for text in texts)), None)
        if mark is None:
            return self._choice(item, texts, source)
        parts = list(dict.fromkeys(part.strip() for text in texts for part in text.split(mark) if part.strip()))
        return self._choice(item, parts, source) | {"split": mark}

    def _quantity(self, item: Item, texts: list[str], source: dict[str, Any], unit: str) -> dict[str, Any]:
        with_unit = [
            text for text in texts if (m := AMOUNT.fullmatch(text)) and self.words.catalogue.units.find(m[2])
        ]
        if with_unit and len(with_unit) > len(texts) / 3:
            others = [Open(text, _LEFT) for text in texts if text not in with_unit and not is_number(text)]
            return {"value": source | ({"missing": others} if others else {}), "unit_in_cell": True}
        return {
            "value": source | self._no_numbers(texts) | self._impossible(item, texts, unit),
            "unit": self.unit(item, texts, unit),
        }

    def _no_numbers(self, texts: list[str]) -> dict[str, Any]:
        others = [Open(text, _LEFT) for text in texts if not is_number(text)]
        return {"missing": others[:_MOST_ANSWERS]} if others else {}

    def _impossible(self, item: Item, texts: list[str], unit: str) -> dict[str, Any]:
        """Marks such as 999 that cannot be the number."""
        marks = [
            t for t in texts if self.words.says("perhaps_missing", t) or t in self.words.folded("perhaps_missing")
        ]
        marks = [t for t in marks if is_number(t) and unit and not self.share(item, [t], unit, "possible")]
        others = [Open(text, _LEFT) for text in texts if not is_number(text)]
        return (
            {"missing": [*(Open(t, f"{t} cannot be a {item.id}: nothing recorded?") for t in marks), *others]}
            if marks
            else {}
        )

    def unit(self, item: Item, texts: list[str], unit: str) -> str | Open:
        """The unit that the header names, where the numbers can be in it; else a question."""
        units, numbers = self.words.catalogue.units, [text for text in texts if is_number(text)]
        allowed = units_of(item, units)
        known = units.find(unit) if unit else None
        if known is not None and known.ucum in [found.ucum for name in allowed if (found := units.find(name))]:
            if self.share(item, numbers, known.ucum, "possible") > 0.8:
                return known.ucum
            return Open(
                known.ucum, f"so it is written, but most of the numbers cannot be in it; one of {listed(allowed)}"
            )
        said = f"'{unit}' is no unit of it" if unit else "no unit is named"
        if len(allowed) == 1 and not unit and self.share(item, numbers, allowed[0], "possible") > 0.8:
            return allowed[0]
        fitting = [name for name in allowed if numbers and self.share(item, numbers, name, "plausible") > 0.8]
        if len(fitting) == 1:
            return Open(fitting[0], f"{said}; of {listed(allowed)} the numbers fit this one alone")
        return Open(allowed[0] if len(allowed) == 1 else "", f"{said}; one of {listed(fitting or allowed)}")

    def share(self, item: Item, numbers: list[str], unit: str, limit: str) -> float:
        """Which part of the numbers lies within the item's ``possible`` or ``plausible`` limits, in this unit."""
        limits = item.limits or (item.components[0].limits if item.components else None)
        if limits is None or item.unit is None or not numbers:
            return 1.0
        low, high = getattr(limits, limit)
        held = 0
        for text in numbers:
            plain = re.sub(r"[<>=\s]", "", text).replace(",", ".")
            try:
                value = self.words.catalogue.units.convert(
                    Quantity.model_validate({"value": plain, "unit": unit}), item.unit
                )
            except (UnknownUnit, WrongDimension, ValueError):
                continue
            held += low <= value <= high
        return held / len(numbers)

    def _time(self, item: Item, texts: list[str], source: dict[str, Any]) -> dict[str, Any]:
        answers = {text: known for text in texts if (known := self.words.answers[item.id].get(folded(text)))}
        if answers and len(answers) == len(texts):
            return {"value": source | {"map": answers}}
        others = [text for text in texts if text not in answers]
        time: dict[str, Any] = dict(source)
        forms = moment_forms(others)
        if len(forms) == 1:
            time |= {"format": forms[0]} if forms[0] else {}
        else:
            time["format"] = Open(forms[0] if forms else "", "how these moments are written" + self._clocks(others))
        return {"time": time}

    @staticmethod
    def _clocks(texts: list[str]) -> str:
        return "; a time of day alone is no moment" if clock_forms(texts) else ""

    def fits(self, item: Item, cells: Counter[str]) -> bool:
        """Whether most cells are of the kind that the item takes: numbers, two numbers, or words."""
        texts = [text for text in cells if not self.words.says("missing", text)]
        numbers = sum(is_number(text) or AMOUNT.fullmatch(text) is not None for text in texts)
        match item.type:
            case ItemType.QUANTITY | ItemType.SCORE:
                return numbers > len(texts) / 2
            case ItemType.QUANTITIES:
                return sum(re.match(r"\d+\s*/\s*\d", text) is not None for text in texts) > len(texts) / 2
        return numbers < len(texts) / 2

    def components(self, item: Item, sources: dict[str, Any], cells: list[str], unit: str) -> dict[str, Any]:
        """Several numbers of one item, each from its column."""
        return {"components": sources, "unit": self.unit(item, [text for text in cells if is_number(text)], unit)}


_LEFT = "no number: nothing recorded?"
