"""What a drafted plan leaves to a person: every text that begins with a question mark is refused until decided."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from adapter.problems import Problem
from adapter.read.places import Place, PlaceOf, pointer
from adapter.read.wording import shown

MARK = "?"
"""Stands before a proposal (``? present_equal``), or alone where there is none."""
_CELLS = ("missing", "is")
"""Lists of cells, which may themselves be a question mark."""


def undecided(data: Any, place: PlaceOf) -> list[Problem]:
    """One problem for each text of a plan that still has its mark."""
    return [_problem(text, line, place(at)) for at, text, line in _marked(data, "", None)]


def _problem(text: str, line: int | None, found: Place) -> Problem:
    proposal = text.removeprefix(MARK).strip()
    remedy = f"{proposal} without the question mark, or what is right" if proposal else "what is right, in its place"
    place = Place(found.where, line or found.line, found.file)
    return place.error("plan-undecided", f"{shown(text)} is still to be decided by a person", remedy)


def _marked(node: Any, at: str, line: int | None, cells: bool = False) -> Iterator[tuple[str, str, int | None]]:
    if isinstance(node, dict):
        lines = getattr(node, "lines", {})
        for key, value in node.items():
            yield from _marked(value, at + pointer(key), lines.get(key), key in _CELLS)
    elif isinstance(node, list):
        for n, value in enumerate(node):
            yield from _marked(value, at + pointer(n), line, cells)
    elif isinstance(node, str) and (node.startswith(f"{MARK} ") or (node.strip() == MARK and not cells)):
        yield at, node, line
