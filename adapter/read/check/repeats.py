"""The same thing recorded twice, or recorded and not examined at once."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from adapter.catalogue import ItemType
from adapter.exam import Side
from adapter.problems import Problem
from adapter.read.check.subject import Placed, Subject

_Key = tuple[str, Side | None, str | None, str | None, datetime | None]


def check_repeats(subject: Subject) -> Iterator[Problem]:
    """One item, side and site (and answer, where several may be given) once in an exam, at any one time."""
    seen: dict[_Key, Placed] = {}
    by_item: dict[str, list[Placed]] = {}
    for placed in subject.findings:
        by_item.setdefault(placed.finding.__dict__["item"], []).append(placed)
        first = seen.setdefault(_key(placed, subject), placed)
        if first is not placed and (first.finding.not_examined is None) == (placed.finding.not_examined is None):
            yield placed.error(
                "",
                "recorded-twice",
                f"{_said(placed, subject)} was already recorded at {first.at().where}",
                "one finding each; what was looked at again has its own observed_at",
            )
    for same in by_item.values():
        if len(same) > 1:
            yield from _examined_and_not(same, subject)


def _key(placed: Placed, subject: Subject) -> _Key:
    fields, item = placed.finding.__dict__, placed.item  # a model's attributes are slow to reach one by one
    answer, site = None, fields["site"]
    if item.type in _SEVERAL:
        answer = placed.finding.answer or fields["text"]
    side = fields["side"] if site is None else subject.side(placed)
    return fields["item"], side, site, answer, fields["observed_at"]


_SEVERAL = (ItemType.CHOICES, ItemType.TEXT)


def _said(placed: Placed, subject: Subject) -> str:
    side = subject.side(placed)
    parts = (placed.item.id, placed.finding.answer or "", f"side {side.value}" if side else "", placed.finding.site)
    return ", ".join(part for part in parts if part)


def _examined_and_not(same: list[Placed], subject: Subject) -> Iterator[Problem]:
    for placed in same:
        if placed.finding.not_examined is None:
            continue
        for other in same:
            if other.finding.not_examined is None and overlap(placed, other, subject):
                yield placed.error(
                    "not_examined",
                    "examined-and-not",
                    f"{_said(placed, subject)} is not examined here and answered at {other.at().where}",
                    "either the answer or the reason, never both",
                )
                break


def overlap(one: Placed, other: Placed, subject: Subject) -> bool:
    """Whether two findings of one item may be about the same place: no side or no site means all of them."""
    sides = {subject.side(one), subject.side(other)}
    sites = {one.finding.site, other.finding.site}
    return (len(sides) == 1 or bool(sides & {None, Side.BOTH})) and (len(sites) == 1 or None in sites)
