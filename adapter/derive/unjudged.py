"""Where no range says that a number is expected: the conditions of ``not_judged.yaml``, compiled and run."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from adapter.catalogue import Catalogue, Item, When
from adapter.derive.age import made_at
from adapter.derive.compiled import compiled
from adapter.derive.machine import Condition, Scene, Test, condition, every
from adapter.derive.made import Earlier
from adapter.exam import Exam, Finding


@dataclass(frozen=True, slots=True)
class _Given:
    """A finding as the machine's steps ask of it, before anything is judged."""

    index: int
    finding: Finding
    item: Item
    judged: None = None
    exact: None = None


class _Reason(NamedTuple):
    label: str
    asks: Test | None
    beside: Condition | None
    items: Collection[str]
    """Those that ``beside`` asks of."""


def unjudged_because(finding: Finding, item: Item, exam: Exam, catalogue: Catalogue) -> str | None:
    """Why no range may say that this finding is expected; None where one may."""
    for label, asks, beside, items in _reasons(catalogue)[item.id]:
        holds = asks is None or asks(finding, item, exam, None, None)
        if holds and (beside is None or beside(_scene_of(exam.findings, exam, catalogue, items)) is not None):
            return label
    return None


def bare_scene(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Scene:
    """What was captured in an exam, before anything is judged; and behind it what was in earlier ones."""
    found = [*exam.findings, *(one.finding for one in of_earlier(earlier, catalogue))]
    return _scene_of(found, exam, catalogue, catalogue.items)


def _scene_of(findings: Sequence[Finding], exam: Exam, catalogue: Catalogue, items: Collection[str]) -> Scene:
    """The findings of these items, before anything is judged."""
    known = catalogue.items
    found = [_Given(n, one, known[item]) for n, one in enumerate(findings) if (item := one.__dict__["item"]) in items]
    return Scene(exam, found)


def of_earlier(earlier: Sequence[Exam], catalogue: Catalogue, items: Collection[str] | None = None) -> list[Earlier]:
    """The findings of earlier exams, of these items alone where they are given, each at its own time."""
    return [
        at_its_time(exam, index, catalogue)
        for exam in earlier
        for index, one in enumerate(exam.findings)
        if items is None or one.item in items
    ]


def at_its_time(exam: Exam, index: int, catalogue: Catalogue) -> Earlier:
    """A captured finding of an exam as one of an earlier exam, with the time at which it was made."""
    one = exam.findings[index]
    at = made_at(one, catalogue.items[one.item], exam)
    return Earlier(exam.details.id, index, one.model_copy(update={"observed_at": at}))


@lru_cache(maxsize=16)
def _reasons(catalogue: Catalogue) -> dict[str, list[_Reason]]:
    """The reasons that may concern each item, in their order."""
    rows = zip(catalogue.not_judged.values(), compiled(catalogue).not_judged, strict=True)
    made = []
    for one, row in rows:
        asks, beside = every(row["tests"], catalogue), _steps(row["steps"], catalogue)
        made.append((one, _Reason(one.label, asks, beside, _items(one.beside, catalogue))))
    return {item: [reason for one, reason in made if one.concerns(item)] for item in catalogue.items}


def _items(beside: When | None, catalogue: Catalogue) -> Collection[str]:
    """The items that a condition asks of; all, where it asks of any."""
    named = beside.items if beside else set()
    return catalogue.items if named is None else named


def _steps(steps: list[list[object]], catalogue: Catalogue) -> Condition | None:
    return condition(steps, catalogue) if steps else None
