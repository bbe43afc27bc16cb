"""JSON as the capture record needs it: digits kept, repeated keys seen, every value found again by its line."""

from __future__ import annotations

import json
import re
from bisect import bisect_left
from collections import Counter
from contextlib import suppress
from decimal import Decimal
from typing import Any

from adapter.read.places import pointer
from adapter.read.raw import Repeated, Unreadable

_MOST_DIGITS = 18
_NO_ANSWERS = {
    one: Unreadable("wrong-type", "true and false are no answers", "the answer's id, a reason, or a number")
    for one in (True, False)
}
_FACTS = "facts"
"""The object of a person's facts, in which yes and no are facts as any other."""


def _yes_or_no(value: Any) -> Any:
    return next((one for one, said in _NO_ANSWERS.items() if value is said), value)


_YES_OR_NO = ("valueBoolean", "read_back")  # FHIR's own name for one, and the record's


class JsonText:
    """One JSON text (RFC 8259) parsed; ``doubtful`` when it holds something that is no value of a record."""

    def __init__(self, text: str) -> None:
        self.doubtful = False
        decoder = json.JSONDecoder(
            object_pairs_hook=self._object,
            parse_float=self._number,
            parse_int=self._whole,
            parse_constant=self._constant,
        )
        self.data: Any = decoder.decode(text)

    def _object(self, pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) != len(pairs):
            count = Counter(key for key, _ in pairs)
            found = Repeated(found)
            found.keys_twice = tuple(key for key in found if count[key] > 1)
            self.doubtful = True
        for key, value in found.items():
            if (value is True or value is False) and key not in _YES_OR_NO:
                self.doubtful = True
                found[key] = _NO_ANSWERS[value]
        if isinstance(facts := found.get(_FACTS), dict):
            found[_FACTS] = {key: _yes_or_no(value) for key, value in facts.items()}
        return found

    def _whole(self, text: str) -> Any:
        return int(text) if len(text) <= _MOST_DIGITS else self._number(text)

    def _number(self, text: str) -> Any:
        if "e" in text or "E" in text or len(text) > _MOST_DIGITS + 1:
            return self._unreadable(
                "not-a-number",
                "a number with an exponent or with more digits than anything is measured to",
                "the digits as measured, such as 3310 or 3.10",
            )
        return Decimal(text)

    def _constant(self, text: str) -> Any:
        return self._unreadable(
            "not-a-number",
            f"{text} is not a number",
            "the number as measured; if there is none, not_examined and why",
        )

    def _unreadable(self, rule: str, what: str, remedy: str) -> Unreadable:
        self.doubtful = True
        return Unreadable(rule, what, remedy)


_SPACE = re.compile(r"[ \t\r\n]*")
_MARKS = re.compile(r"[ \t\r\n,:]*")  # what stands between the values of a text known to be well formed
_DECODER = json.JSONDecoder(parse_float=str, parse_int=str)


class JsonLines:
    """The line on which a value of a well-formed JSON text begins, by its JSON pointer.

    An array or object is looked through when the first value in it is asked for, and only one level of it: what
    stands deeper is stepped over as a whole.
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._begins: dict[str, int] = {"": _after(_SPACE, text, 0)}
        self._open: set[str] = set()
        self._ends = [found.start() for found in re.finditer("\n", text)]

    def line(self, at: str) -> int:
        """The line of the value at a pointer; of one that is not there, of the nearest around it."""
        found = ""
        for step in at.split("/")[1:]:
            if found not in self._open:
                self._look_into(found)
            if f"{found}/{step}" not in self._begins:
                break
            found = f"{found}/{step}"
        return bisect_left(self._ends, self._begins[found]) + 1

    def _look_into(self, around: str) -> None:
        self._open.add(around)
        text, at = self._text, self._begins[around]
        opened = text[at]
        if opened not in "[{":
            return
        at, index = _after(_MARKS, text, at + 1), 0
        with suppress(RecursionError):  # as deep as can just be read: then what is around it is told
            while text[at] not in "]}":
                step: object = index
                if opened == "{":
                    step, at = _DECODER.raw_decode(text, at)
                    at = _after(_MARKS, text, at)
                self._begins[around + pointer(step)] = at
                at, index = _after(_MARKS, text, _DECODER.raw_decode(text, at)[1]), index + 1


def _after(what: re.Pattern[str], text: str, at: int) -> int:
    found = what.match(text, at)
    assert found is not None, "it may match nothing"
    return found.end()
