"""JSON as the capture record needs it: digits kept, repeated keys seen, every value found again by its line."""

from __future__ import annotations

import json
import re
from collections import Counter
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


_TOKEN = re.compile(r'\s*("(?:[^"\\]|\\.)*"|[\[\]{},:]|[^\s\[\]{},:"]+)', re.DOTALL)


MOST_LINES = 200_000
"""The most values whose lines are looked for: more than any exam has, and so few that a flood is told at once."""


def json_lines(text: str) -> dict[str, int]:
    """The line on which each value of a well-formed JSON text begins, by JSON pointer; of a flood the first."""
    lines: dict[str, int] = {}
    stack: list[list[Any]] = []  # [pointer, next index, or None in an object] for each open array or object
    line, last = 1, 0
    at: str | None = ""  # where the next value stands; None: a key, or the end, comes first
    for token in _TOKEN.finditer(text):
        word = token[1]
        if word == ":":
            continue
        if word == ",":
            at = _next_pointer(stack[-1])
        elif word == "]" or word == "}":
            stack.pop()
        elif at is None:
            key = word[1:-1] if "\\" not in word else json.loads(word)
            at = f"{stack[-1][0]}{pointer(key)}" if "/" in key or "~" in key else f"{stack[-1][0]}/{key}"
        else:
            begin = token.start(1)
            line += text.count("\n", last, begin)
            last = begin
            lines[at] = line
            if len(lines) >= MOST_LINES:
                break
            if word == "[" or word == "{":
                stack.append([at, 0 if word == "[" else None])
                at = _next_pointer(stack[-1])
    return lines


def _next_pointer(open_: list[Any]) -> str | None:
    at, index = open_
    if index is None:
        return None
    open_[1] += 1
    return f"{at}/{index}"
