"""Tables that computations read: estimates from a score, screening algorithms, growth references."""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum
from typing import Literal

from pydantic import Field, model_validator

from adapter.catalogue.code import Frozen
from adapter.exam.text import Key


class Estimate(Frozen):
    """What a score's total stands for: ``rows`` of (total, value), ascending.

    Between two rows the value lies on the straight line and is rounded down to a whole one. Outside the rows there
    is no value; ``below`` and ``above`` say so in words.
    """

    id: Key
    label: str
    version: str
    score: Key
    item: Key
    unit: str
    rows: tuple[tuple[int, int], ...] = Field(min_length=2)
    below: str
    above: str
    source: str

    @model_validator(mode="after")
    def _ascending(self) -> Estimate:
        totals = [total for total, _ in self.rows]
        if totals != sorted(set(totals)):
            raise ValueError("the rows do not ascend by their totals, each once")
        return self


class Screening(Frozen):
    """One version of the oxygen saturation screen for critical heart disease.

    A reading under ``fail_below`` fails at once. It passes where ``places`` (either or both of the two) are
    at ``pass_from`` or more and they differ by at most ``difference``. Anything else is to be repeated, and fails at
    the attempt with the number ``attempts``. Percent; ``from_hours`` of life.
    """

    id: Key
    label: str
    item: Key
    readings: Key
    from_hours: Decimal
    fail_below: Decimal
    pass_from: Decimal
    places: Literal["either", "both"]
    difference: Decimal
    attempts: int = Field(ge=1)
    caution: str
    source: str


class Measure(StrEnum):
    """What a growth reference can speak of."""

    WEIGHT = "weight"
    LENGTH = "length"
    HEAD = "head"


class GrowthRow(Frozen):
    """One row: of one measure and sex at one age, either L, M and S or values at centiles.

    ``age`` is gestation at birth in completed days. Weight in grams, length and head in centimetres.
    """

    measure: Measure
    sex: Literal["female", "male"]
    age: int
    lms: tuple[Decimal, Decimal, Decimal] | None = None
    centiles: tuple[tuple[Decimal, Decimal], ...] = ()


class GrowthReference(Frozen):
    """A reference of size at birth by sex and gestation, from a site's folder ``growth/``.

    ``ages`` says what the file's ages are: exact ``days``, or ``weeks``. Between whole weeks the reference speaks
    by ``between``: of ``completed-week`` (the row of the week that is completed), ``straight-line`` (between the
    rows of the two weeks), or of ``none`` (only on the day the week is completed). ``within_hours``: how long after
    birth a measurement still counts as one at birth. Outside its rows a reference says nothing.
    """

    id: Key
    label: str
    version: str
    source: str
    licence: str
    ages: Literal["days", "weeks"]
    between: Literal["completed-week", "straight-line", "none"] = "none"
    within_hours: Decimal = Field(gt=0)
    caution: str = ""
    rows: tuple[GrowthRow, ...] = ()


class Bands(Frozen):
    """Size for gestation by centile: small under ``small``, severely small under ``severe``, large over ``large``."""

    severe: Decimal
    small: Decimal
    large: Decimal
    source: str


__all__ = ["Bands", "Estimate", "GrowthReference", "GrowthRow", "Measure", "Screening"]
