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
            if (value is True or value is False) and key != "valueBoolean":  # FHIR's own name for one
                found[key] = self._unreadable(
                    "wrong-type", "true and false are no answers", "the answer's id, a reason, or a number"
                )
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
    stack: list[list[Any]] = []  # one [pointer so far, next index or key] for each open array or object
    line, last = 1, 0
    key: str | None = None
    for token in _TOKEN.finditer(text):
        begin, word = token.start(1), token[1]
        line += text.count("\n", last, begin)
        last = begin
        if word in "]}":
            stack.pop()
        elif word == ",":
            key = None
        elif word == ":":
            continue
        elif stack and stack[-1][1] is None and key is None:
            key = json.loads(word)
        else:
            at = _next_pointer(stack, key)
            lines[at] = line
            if len(lines) >= MOST_LINES:
                break
            key = None
            if word in "[{":
                stack.append([at, 0 if word == "[" else None])
    return lines


def _next_pointer(stack: list[list[Any]], key: str | None) -> str:
    if not stack:
        return ""
    at, index = stack[-1]
    if index is None:
        return f"{at}{pointer(key)}"
    stack[-1][1] += 1
    return f"{at}/{index}"
