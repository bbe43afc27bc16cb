"""What published cohorts say of well newborns (``cohorts.yaml``): by it the lines of ranges and rules are weighed."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from adapter.catalogue.code import Frozen
from adapter.exam.text import Key, Line


def _both_ends(value: Any) -> Any:
    """A number stands for a span whose ends are that number."""
    return value if isinstance(value, (list, tuple)) else (value, value)


Ends = Annotated[tuple[Decimal, Decimal], BeforeValidator(_both_ends)]
"""A published value; where a paper gives a span of values over several hours, its two ends."""


class Cohort(Frozen):
    """Well newborns of one published cohort: how a number of theirs is spread, or how many have an answer.

    Either ``centiles`` of an ``item`` (or of its ``component``): the value in the item's unit by centile, where 0 and
    100 are the least and the greatest value seen; or a ``share``, of a hundred, who have one of the ``answers`` of an
    item, or of whom a ``rule`` holds (``[0, 60]``: at most 60). ``n`` is the number of infants enrolled, None where
    the source does not give it; ``per`` says whether each ``reading`` is counted, or each ``infant`` once. ``hours``
    of life at which it was measured. ``state``, ``site`` and ``sex`` where the cohort was of these alone;
    ``weeks`` of gestation that stand for it. ``note``: what a reader must know to use the number.
    """

    id: Key
    label: Line
    n: int | None = Field(default=None, ge=1)
    source: str
    item: Key | None = None
    component: Key | None = None
    rule: Key | None = None
    per: Literal["reading", "infant"] = "reading"
    hours: tuple[Decimal, ...] = ()
    weeks: int = Field(default=39, ge=20, le=45)
    state: Key | None = None
    site: Key | None = None
    sex: Literal["female", "male"] | None = None
    centiles: Mapping[Decimal, Ends] = Field(default_factory=dict)
    answers: tuple[Key, ...] = ()
    share: Ends | None = None
    note: str = ""

    @model_validator(mode="after")
    def _one_form(self) -> Cohort:
        if self.centiles:
            if self.item is None or self.rule or self.answers or self.share is not None:
                raise ValueError("centiles are of an item, and have no share beside them")
            if not self.hours:
                raise ValueError("centiles are of hours of life: hours: [..]")
        elif self.share is None or (self.rule is None) == (self.item is None):
            raise ValueError("a cohort is centiles of an item, a share with answers of an item, or a share of a rule")
        elif bool(self.answers) != (self.item is not None):
            raise ValueError("a share of an item names its answers; one of a rule has none")
        return self

    @model_validator(mode="after")
    def _rising(self) -> Cohort:
        if any(not 0 <= centile <= 100 for centile in self.centiles):
            raise ValueError("a centile lies from 0 to 100")
        for (low, lows), (high, highs) in pairwise(self.centiles.items()):
            if low >= high or lows[0] >= highs[0] or lows[1] >= highs[1]:
                raise ValueError(f"centiles rise, and their values with them: {low} and {high} do not")
        if any(low > high for low, high in (*self.centiles.values(), self.share or (0, 0))):
            raise ValueError("a span of values is [the lower, the higher]")
        if self.share is not None and not 0 <= self.share[0] <= self.share[1] <= 100:
            raise ValueError("a share lies from 0 to 100, of a hundred infants")
        return self
