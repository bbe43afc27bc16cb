"""Is anything recorded that the site has retired? What was sent before, and what corrects it, may hold it still."""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from adapter.catalogue import Catalogue
from adapter.catalogue.model import MayRetire
from adapter.exam import Status
from adapter.problems import Problem
from adapter.read.check.subject import Placed, Subject


def check_retired(subject: Subject) -> Iterator[Problem]:
    """Retired items, and retired answers, each with what to record instead."""
    concerned = _with_retired(subject.catalogue)
    for placed in subject.findings:
        if placed.item.id not in concerned:
            continue
        item, answer = placed.item, placed.item.answer(placed.finding.answer or "")
        if _is_refused(item, subject):
            yield _told(item, f"{item.id} is retired", "item", "no other item stands for it", placed, subject)
        elif answer is not None and _is_refused(answer, subject):
            what = f"the answer {answer.id} of {item.id} is retired"
            yield _told(answer, what, "value", f"another answer of {item.id}", placed, subject)


@lru_cache(maxsize=16)
def _with_retired(catalogue: Catalogue) -> frozenset[str]:
    """The items that are retired, or that have an answer which is."""
    items = catalogue.items.values()
    return frozenset(item.id for item in items if not item.on or len(item.offered) < len(item.answers))


def _is_refused(one: MayRetire, subject: Subject) -> bool:
    details = subject.details
    before = one.since is not None and details is not None and details.started.date() < one.since
    return not one.on and not before


def _told(one: MayRetire, what: str, field: str, else_: str, placed: Placed, subject: Subject) -> Problem:
    since = f" since {one.since}" if one.since else ""
    use = f"use {one.use}" if one.use else else_
    corrects = subject.details is not None and subject.details.status is not Status.FINAL
    if corrects:
        return placed.warning(field, "retired", f"{what}{since}; a correction may keep it", use)
    return placed.error(field, "retired", f"{what}{since}", use)
