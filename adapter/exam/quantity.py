"""What a count or a measurement is, as it was captured: literal digits and the unit that was written."""

from __future__ import annotations

import re
from decimal import Decimal
from enum import StrEnum
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, StringConstraints, model_validator

from adapter.exam.text import RecordPart


def _literal(value: Any) -> Any:
    """Keep the digits: text and JSON numbers that were read as Decimal; a binary float has lost them."""
    if isinstance(value, (bool, float)):
        raise ValueError("must be a number with its digits as measured, such as 3.10")
    if isinstance(value, str):
        value = value.strip()
        if not _PLAIN.fullmatch(value):
            raise ValueError("must be a plain decimal number such as 36.8 (point, no spaces, no exponent)")
    return value


_PLAIN = re.compile(r"-?\d{1,9}(\.\d{1,9})?")

# The bounds come first: so they are those of the Decimal itself, which is checked in compiled code.
Number = Annotated[Decimal, Field(max_digits=18, allow_inf_nan=False), BeforeValidator(_literal)]
"""A decimal number whose digits are kept: 3.10 is not 3.1."""

UnitText = Annotated[str, StringConstraints(min_length=1, max_length=20)]
"""A unit as written at the cot side; the catalogue's unit table says which spellings it knows."""


class Comparator(StrEnum):
    """The true value lies beyond what the device could read (FHIR R4 QuantityComparator)."""

    __hash__ = str.__hash__  # findings are looked up by it; that of Enum is Python

    LESS = "<"
    AT_MOST = "<="
    AT_LEAST = ">="
    MORE = ">"


class Amount(RecordPart):
    """A number and its unit."""

    value: Number
    unit: UnitText


class Quantity(RecordPart):
    """One measured value as captured, before any conversion.

    ``plus`` holds the second part of a compound amount: 7 lb 4 oz is
    ``{"value": 7, "unit": "lb", "plus": {"value": 4, "unit": "oz"}}``.
    """

    value: Number
    unit: UnitText
    comparator: Comparator | None = None
    plus: Amount | None = None

    def __str__(self) -> str:
        text = f"{self.comparator or ''}{self.value:f} {self.unit}"
        return f"{text} {self.plus.value:f} {self.plus.unit}" if self.plus else text


class Quantities(RecordPart):
    """Several numbers of one measurement, such as the pressures of one blood pressure reading."""

    components: dict[str, Number] = Field(min_length=1)
    unit: UnitText


class Score(RecordPart):
    """A scored instrument: the answer given for each sign, the total, or both."""

    total: int | None = Field(default=None, strict=True, ge=-20, le=100)
    signs: dict[str, str] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _something(self) -> Score:
        if self.total is None and not self.signs:
            raise ValueError("a score needs its total, its signs, or both")
        return self
