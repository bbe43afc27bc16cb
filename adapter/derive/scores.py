"""Totals of scored instruments, and what a total stands for."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from adapter.catalogue import Catalogue, Estimate, Item, ItemType, Sign, Words
from adapter.derive.made import Computed, Withheld
from adapter.derive.makers import by_table
from adapter.exam import Exam, Finding, Quantity, Score


def score_total(score: Score, item: Item) -> int | None:
    """The total of a scored instrument: as captured, else the sum where every sign was given, else None."""
    if score.total is not None:
        return score.total
    given, total = score.signs, 0
    if any(sign.group for sign in item.signs) and missing_slots(score, item):
        return None
    for sign in item.signs:
        chosen = given.get(sign.id)
        if chosen is not None:
            total += _points(sign, chosen)
        elif sign.group is None:
            return None
    return total


def _points(sign: Sign, chosen: str) -> int:
    for answer in sign.answers:
        if answer.id == chosen:
            return answer.points
    raise AssertionError(f"{sign.id} has no answer {chosen}")


def missing_signs(score: Score, item: Item, words: Words) -> tuple[str, ...]:
    """The labels of the signs without an answer. Of the signs of a group exactly one is needed; two are too many."""
    found = []
    for signs in missing_slots(score, item):
        label = words.say("either").join(sign.label for sign in signs)
        given = any(sign.id in score.signs for sign in signs)
        found.append(words.say("finding.one_of", signs=label) if given else label)
    return tuple(found)


def missing_slots(score: Score, item: Item) -> list[list[Sign]]:
    """What counts once and was not given once."""
    return [signs for signs in slots(item) if sum(sign.id in score.signs for sign in signs) != 1]


def slots(item: Item) -> list[list[Sign]]:
    """The signs by what counts once: each by itself, those of a group together."""
    found: dict[str, list[Sign]] = {}
    for sign in item.signs:
        found.setdefault(f"group {sign.group}" if sign.group else sign.id, []).append(sign)
    return list(found.values())


def incomplete_scores(exam: Exam, catalogue: Catalogue) -> Iterator[Withheld]:
    """The scores that have no total, and which sign is missing."""
    for finding in exam.findings:
        item = catalogue.items[finding.item]
        if item.type is ItemType.SCORE and isinstance(finding.value, Score) and finding.value.total is None:
            words = catalogue.words
            if missing := missing_signs(finding.value, item, words):
                yield Withheld(item.id, item.label, words.say("finding.no_total", missing=words.listed(missing)))


def estimates(exam: Exam, catalogue: Catalogue) -> Iterator[Computed | Withheld]:
    """What the totals stand for, by the estimates of the catalogue."""
    captured = {finding.item for finding in exam.findings}
    for table in catalogue.estimates.values():
        if table.item in captured:
            continue
        for index, finding in enumerate(exam.findings):
            if finding.item != table.score or not isinstance(finding.value, Score):
                continue
            total = score_total(finding.value, catalogue.items[table.score])
            if total is None:
                continue
            value = estimate(table, total)
            if isinstance(value, str):
                why = catalogue.words.say("computed.total_means", total=total, words=value)
                yield Withheld(table.item, catalogue.items[table.item].label, why)
            else:
                made = Finding(
                    item=table.item,
                    value=Quantity(value=Decimal(value), unit=table.unit),
                    observed_at=finding.observed_at,
                )
                yield Computed(made, (index,), Decimal(value), by_table(table))


def estimate(table: Estimate, total: int) -> int | str:
    """The value of a total, rounded down between two rows; in words where the table has none."""
    if total < table.rows[0][0]:
        return table.below
    if total > table.rows[-1][0]:
        return table.above
    for (low, at_low), (high, at_high) in pairwise(table.rows):
        if low <= total <= high:
            return int(at_low + Fraction((total - low) * (at_high - at_low), high - low) // 1)
    raise AssertionError("rows ascend")
