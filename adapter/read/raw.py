"""What a reader could not read, kept in its place in the record until it can be told with the rest."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from adapter.problems import Problem
from adapter.read.files import MOST_DEPTH
from adapter.read.places import PlaceOf, pointer
from adapter.read.wording import shown


@dataclass(frozen=True, slots=True)
class Unreadable:
    """Stands in a record for what is no value at all: NaN, true, a number with an exponent, a cell of nonsense."""

    rule: str
    what: str
    remedy: str


TOLD = Unreadable("", "", "")
"""Stands for a part of which it is told already why it could not be read."""


class Repeated(dict[str, Any]):
    """An object in which some keys stand more than once; it holds the last value of each."""

    keys_twice: tuple[str, ...] = ()


def faults(data: Any, place: PlaceOf, at: str = "", depth: int = 0) -> Iterator[Problem]:
    """Every unreadable value and every repeated key of a record, in the order in which they stand."""
    if isinstance(data, Unreadable):
        if data is not TOLD:
            yield place(at).error(data.rule, data.what, data.remedy)
    elif depth > MOST_DEPTH:
        if isinstance(data, dict | list):
            yield place(at).error(
                "too-deep", "is nested deeper than any record", "a capture record: exam, newborn, findings"
            )
    elif isinstance(data, dict):
        if isinstance(data, Repeated):
            for key in data.keys_twice:
                yield place(at + pointer(key)).error(
                    "key-twice",
                    f"the key {shown(key)} stands twice in one object",
                    "each key once; which one is right?",
                )
        for key, value in data.items():
            for problem in faults(value, place, at + pointer(key), depth + 1):
                yield _of_item(problem, data)
    elif isinstance(data, list):
        for n, value in enumerate(data):
            yield from faults(value, place, at + pointer(n), depth + 1)


def _of_item(problem: Problem, holder: dict[str, Any]) -> Problem:
    item = holder.get("item")
    if problem.item or not isinstance(item, str) or not item.isprintable():
        return problem
    return Problem(
        problem.severity, problem.layer, problem.rule, problem.what, problem.remedy,
        problem.where, problem.file, item, problem.line,
    )  # fmt: skip
