"""Proof by search: what holds of every range at every age, and of any exam.

Ranges change at their ends alone, so every end and a number between each two are all that there is to try.
"""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import CATALOGUE, scene, tells

from adapter.catalogue import Item, ItemType, Meaning
from adapter.derive import judge, judged_findings, not_judged
from adapter.exam import Exam, Finding, Quantities, Quantity, Score, Sex, Side, Urgency
from drawn import drawn
from strategies import exams

RANKS = list(Urgency)
AGES = ("0.05", "0.5", "2", "6", "20", "26", "50", "80", "100", "130", "200", "400", "600")
WEEKS = (30, 34, 36, 37, 39, 41, None)
NUMBERS = [item for item in CATALOGUE.items.values() if item.ranges and item.type is not ItemType.TIME]


def samples(item: Item, component: str | None) -> list[Decimal]:
    ends = {end.value for band in item.ranges if band.component == component for end in (band.low, band.high) if end}
    limits = item.limits or next((c.limits for c in item.components if c.id == component), None)
    ordered = sorted(ends | (set(map(Decimal, limits.possible)) if limits else set()))
    between = {(low + high) / 2 for low, high in pairwise(ordered)}
    found = sorted(ends | between | set(ordered))
    if item.type is ItemType.SCORE or item.whole_numbers:
        found = sorted({Decimal(int(value)) for value in found} | {Decimal(int(value) + 1) for value in found[:-1]})
    return [v for v in found if limits is None or limits.possible[0] <= v <= limits.possible[1]]


def finding_of(item: Item, component: str | None, value: Decimal, site: str | None) -> Finding:
    if item.type is ItemType.SCORE:
        return Finding(item=item.id, value=Score(total=int(value)))
    if component is not None:
        return Finding(
            item=item.id, value=Quantities(components={component: value}, unit=item.unit or "1"), site=site
        )
    return Finding(item=item.id, value=Quantity(value=value, unit=item.unit or "1"), site=site)


def _scenes(item: Item) -> Iterator[tuple[str | None, str | None, str, int | None, Sex]]:
    sexes = (Sex.FEMALE, Sex.MALE) if any(band.when.sex for band in item.ranges) else (Sex.MALE,)
    for component in [part.id for part in item.components] or [None]:
        for site in item.sites if item.site_required else (None,):
            for hours in AGES:
                for weeks in WEEKS:
                    for sex in sexes:
                        yield component, site, hours, weeks, sex


@pytest.mark.parametrize("item", NUMBERS, ids=lambda item: item.id)
def test_every_possible_value_is_judged_or_said_to_be_not_and_a_worse_one_is_never_told_later(item: Item) -> None:
    for component, site, hours, weeks, sex in _scenes(item):
        empty = scene(hours=hours, weeks=weeks, sex=sex)
        ranks: list[int | None] = []
        for value in samples(item, component):
            finding = finding_of(item, component, value, site)
            exam = empty.model_copy(update={"findings": (finding,)})
            judged = judge(finding, item, exam, CATALOGUE)
            assert judged is not None or not_judged(finding, item, exam, CATALOGUE), (value, hours, weeks)
            calm = judged is not None and judged.meaning is Meaning.EXPECTED
            ranks.append(None if calm else RANKS.index(judged.urgency) if judged else 0)
        # None is the middle, as expected; where there is none, the least urgent stretch is the middle
        middle = [n for n, rank in enumerate(ranks) if rank is None]
        numbers = [-1 if rank is None else rank for rank in ranks]
        low = middle[0] if middle else numbers.index(min(numbers))
        high = middle[-1] if middle else len(numbers) - 1 - numbers[::-1].index(min(numbers))
        where = (component, site, hours, weeks, list(zip(samples(item, component), numbers, strict=True)))
        assert numbers[:low] == sorted(numbers[:low], reverse=True), where
        assert numbers[high:] == sorted(numbers[high:]), where


# What says that another finding is not of air: taking it away is no removal of evidence but another infant.
BESIDE = {leaf.item for one in CATALOGUE.not_judged.values() if one.beside for leaf in one.beside.leaves()}


def _expected(exam: Exam, without: int | None = None) -> set[int]:
    """The captured findings that are said to be expected, by their place in the whole exam."""
    kept = [n for n in range(len(exam.findings)) if n != without]
    some = exam.model_copy(update={"findings": tuple(exam.findings[n] for n in kept)})
    _, pool = judged_findings(some, CATALOGUE)
    found = [one for one in pool[: len(kept)] if one.judged is not None and one.judged.meaning is Meaning.EXPECTED]
    return {kept[one.index] for one in found}


@drawn(30)
@given(exams(CATALOGUE, min_items=2, max_items=12), st.randoms(use_true_random=False))
def test_removing_one_finding_never_makes_another_expected(exam: Exam, chance: object) -> None:
    whole = _expected(exam)
    for place, finding in enumerate(exam.findings):
        if finding.item not in BESIDE:
            assert _expected(exam, place) <= whole


SWAP = {Side.LEFT: Side.RIGHT, Side.RIGHT: Side.LEFT}


def _swapped(finding: Finding) -> Finding:
    return finding.model_copy(update={"side": SWAP.get(finding.side, finding.side)}) if finding.side else finding


@drawn(60)
@given(exams(CATALOGUE, max_items=20))
def test_swapping_sides_swaps_them_in_every_line(exam: Exam) -> None:
    # Places with a side in their name stay out: the right hand is before the duct, the left is not.
    plain = tuple(f for f in exam.findings if f.text is None and not (f.site and CATALOGUE.sites[f.site].side))
    here = exam.model_copy(update={"findings": tuple(f.model_copy(update={"note": None}) for f in plain)})
    there = here.model_copy(update={"findings": tuple(map(_swapped, here.findings))})

    def lines(one: Exam, swap: bool) -> list[tuple[str, str, str | None]]:
        found = []
        for line in tells(one):
            side = SWAP.get(line.side, line.side) if swap and line.side else line.side
            found.append((line.urgency.value, line.rule, side.value if side else None))
        return sorted(found, key=str)

    assert lines(there, False) == lines(here, True)
