"""Less detail, as the policy says: numbers to the nearest multiple or in bands, times as full hours since birth.

A rounded number is a number still, and what is computed of it and judged by it follows it. A band stands in words, so
that nothing is computed of it; it begins at its lower end. Both in the item's own unit. (Rounding and global recoding
of statistical disclosure control: Hundepool et al., Statistical Disclosure Control, 2012; from memory.)
"""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal

from adapter.catalogue import Catalogue
from adapter.catalogue.units import UnknownUnit, WrongDimension
from adapter.exam import Exam, Finding, Quantity

WITHHELD = "[text withheld]"
"""Stands where a finding was answered in words that were taken out: it was examined, and that is kept."""
GESTATION = "gestational_age_at_birth"


def rounded(finding: Finding, step: Decimal, catalogue: Catalogue) -> Finding:
    """The finding with its number to the nearest multiple of a step, halves up."""
    number, unit = _number(finding, catalogue)
    if number is None or not isinstance(finding.value, Quantity):
        return in_words(finding, WITHHELD)
    made = Quantity(value=nearest(number, step), unit=unit, comparator=finding.value.comparator)
    return finding.model_copy(update={"value": made})


def nearest(number: Decimal, step: Decimal) -> Decimal:
    """The nearest multiple of a step, halves up."""
    return (number / step).quantize(Decimal(1), ROUND_HALF_UP) * step


def banded(finding: Finding, width: Decimal, catalogue: Catalogue) -> Finding:
    """The finding with the band of its number in words; one that says that it lies beyond its number has none."""
    number, unit = _number(finding, catalogue)
    if number is None or not isinstance(finding.value, Quantity) or finding.value.comparator is not None:
        return in_words(finding, WITHHELD)
    return in_words(finding, band(number, width, catalogue.units.shown(unit)))


def band(number: Decimal, width: Decimal, unit: str) -> str:
    """The band of a number in words, such as "3000 to under 3250 g"; ``unit`` as it is shown behind a number."""
    low = number // width * width
    return f"{low:f} to under {low + width:f}{unit}"


def in_words(finding: Finding, words: str) -> Finding:
    """The finding, answered in words instead."""
    return finding.model_copy(update={"value": None, "text": words})


def _number(finding: Finding, catalogue: Catalogue) -> tuple[Decimal | None, str]:
    """The number in the item's own unit; None where the unit is of another kind."""
    unit = catalogue.items[finding.item].unit or ""
    try:
        return (
            (catalogue.units.convert(finding.value, unit), unit)
            if isinstance(finding.value, Quantity)
            else (None, "")
        )
    except (UnknownUnit, WrongDimension):
        return None, unit


class CoarseTimes:
    """The times of one exam as multiples of so many hours since birth, each down to the multiple before it.

    Findings of one item that were made at several times within one step stand a second apart, in their order, so
    that no two readings become one.
    """

    def __init__(self, exam: Exam, hours: Decimal) -> None:
        self._born, self._step = exam.newborn.birth_time, timedelta(seconds=float(hours * 3600))
        self._places: dict[tuple[str, datetime], list[datetime]] = {}
        for finding in exam.findings:
            at = finding.observed_at or exam.details.started
            seen = self._places.setdefault((finding.item, self.down(at)), [])
            if at not in seen:
                seen.append(at)
        for seen in self._places.values():
            seen.sort()

    def down(self, moment: datetime) -> datetime:
        """A moment without what is beyond its multiple."""
        return self._born + (moment - self._born) // self._step * self._step

    def of_finding(self, finding: Finding, at: datetime) -> datetime:
        """When the finding was made, in the order of the others of its item."""
        place = self._places[finding.item, self.down(at)].index(at)
        return self.down(at) + timedelta(seconds=place)
