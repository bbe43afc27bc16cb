"""The expected range of a number as FHIR R4 Observation.referenceRange."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

from adapter.catalogue import Catalogue, Item, Range, Span
from adapter.derive.words import bounds_in_words
from adapter.exam import Quantity
from adapter.fhir.json import Json

_Unit = Callable[[str, str], Json]


def reference_range(
    band: Range, item: Item, other: str | None, catalogue: Catalogue, unit: _Unit, printed: Callable[[Json], Json]
) -> Json:
    """The range that applies, with its comparators, conditions and source in the text (obs-3).

    In the unit of the value: for ``other``, a unit of another dimension, the ends are converted by the item's molar
    mass. ``unit`` gives the parts of a Quantity for a UCUM unit and its spelling, ``printed`` a Quantity as the site
    prints it.
    """
    assert item.unit is not None
    of_value = unit(other or item.unit, other or item.unit)
    found: Json = {}
    for end, bound in (("low", band.low), ("high", band.high)):
        if bound is not None:
            found[end] = printed({"value": _end(bound.value, item, other, catalogue), **of_value})
    if band.when.age_hours is not None:
        found["age"] = _age_range(band.when.age_hours, unit("h", "h"))
    source = catalogue.sources[band.source]
    words, span = catalogue.words, f"{bounds_in_words(band, catalogue.words)} {item.unit}"
    expected = words.say("range.expected", range=span)
    if other:
        expected = words.say("range.converted", expected=expected, mass=item.molar_mass or 0)
    found["text"] = words.clauses((expected, source.label))
    return found


def _end(value: Decimal, item: Item, other: str | None, catalogue: Catalogue) -> Decimal:
    if other is None or item.unit is None or item.molar_mass is None:
        return value
    return catalogue.units.between_mass_and_substance(Quantity(value=value, unit=item.unit), other, item.molar_mass)


def _age_range(span: Span, hours: Json) -> Json:
    ends = {"low": span.low, "high": span.high}
    return {end: {"value": bound.value, **hours} for end, bound in ends.items() if bound is not None}
