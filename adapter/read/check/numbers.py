"""Measured values: unit, dimension, the two limits, whole numbers, how long it was counted."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from adapter.catalogue import Catalogue, UnitTable
from adapter.catalogue.model import Limits
from adapter.exam import Quantities, Quantity
from adapter.problems import Problem
from adapter.read.check.answers import fits
from adapter.read.check.subject import Placed, Subject
from adapter.read.wording import dimensions_of, listed, one_of, shown, unit_name, units_of


def check_numbers(subject: Subject) -> Iterator[Problem]:
    """Unknown units and dimensions, impossible and implausible values, counts too short."""
    for placed in subject.findings:
        value = placed.finding.value
        if isinstance(value, Quantity) and fits(value, placed.item):
            yield from _quantity(placed, value, subject.catalogue)
        elif isinstance(value, Quantities) and fits(value, placed.item):
            yield from _quantities(placed, value, subject.catalogue.units)
        yield from _counted(placed)


def _quantity(placed: Placed, value: Quantity, catalogue: Catalogue) -> Iterator[Problem]:
    units = catalogue.units
    problems = list(_unit(placed, "value/unit", value.unit, units))
    if value.plus is not None:
        problems += _unit(placed, "value/plus/unit", value.plus.unit, units)
        problems = problems or list(_compound(placed, value, units))
    yield from problems
    if problems or placed.item.unit is None:
        return
    if _same(value, placed.item.unit, units):
        yield from _whole(placed, "value/value", value.value)
    converted = catalogue.amount(value, placed.item)
    yield from _limits(placed, "value", value, converted, placed.item.limits, units)


def _quantities(placed: Placed, value: Quantities, units: UnitTable) -> Iterator[Problem]:
    item = placed.item
    problems = list(_unit(placed, "value/unit", value.unit, units))
    yield from problems
    for name in value.components:
        if item.component(name) is None:
            yield placed.error(
                f"value/components/{name}",
                "unknown-component",
                f"{item.id} has no component {shown(name)}",
                one_of(name, [c.id for c in item.components]),
            )
    for component in item.components:
        number = value.components.get(component.id)
        if number is None:
            if component.required:
                yield placed.error(
                    "value",
                    "component-missing",
                    f"{item.id} lacks its {component.id}",
                    f"give {listed(c.id for c in item.components if c.required)}, or not_examined and why",
                )
        elif not problems and item.unit is not None:
            field = f"value/components/{component.id}"
            part = Quantity(value=number, unit=value.unit)
            if _same(part, item.unit, units):
                yield from _whole(placed, field, number)
            converted = units.convert(part, item.unit)
            yield from _limits(placed, field, part, converted, component.limits, units)


def _unit(placed: Placed, field: str, spelling: str, units: UnitTable) -> Iterator[Problem]:
    item = placed.item
    unit = units.find(spelling)
    if unit is None:
        remedy = one_of(spelling, units_of(item, units))
        yield placed.error(field, "unknown-unit", f"{shown(spelling)} is not a unit known here", remedy)
    elif item.unit is not None and unit.dimension not in dimensions_of(item, units):
        dimension = units[item.unit].dimension
        yield placed.error(
            field,
            "wrong-dimension",
            f"{shown(spelling)} measures {unit.dimension}, {item.id} is a {dimension}",
            f"one of {listed(units_of(item, units))}",
        )


def _compound(placed: Placed, value: Quantity, units: UnitTable) -> Iterator[Problem]:
    """7 lb 4 oz: the first part whole, the second smaller than one of the first."""
    first, second = units.find(value.unit), units.find(value.plus.unit) if value.plus else None
    if value.plus is None or first is None or second is None:
        return
    one = units.convert(Quantity(value=Decimal(1), unit=first.ucum), second.ucum)
    if value.value % 1 or value.value < 0 or not 0 <= value.plus.value < one:
        yield placed.error(
            "value/plus",
            "wrong-parts",
            f"{value} is not an amount in two parts",
            f"a whole number of {value.unit}, then less than {one:f} {value.plus.unit}, the smaller unit second",
        )


def _whole(placed: Placed, field: str, number: Decimal) -> Iterator[Problem]:
    if placed.item.whole_numbers and number % 1:
        yield placed.error(
            field,
            "not-whole",
            f"{placed.item.id} is counted or read in whole numbers; {number:f} is not one",
            "the number as counted or read, without a fraction",
        )


def _limits(
    placed: Placed, field: str, value: Quantity, converted: Decimal, limits: Limits | None, units: UnitTable
) -> Iterator[Problem]:
    if limits is None:
        return
    unit = placed.item.unit or ""
    said = str(value) if _same(value, unit, units) else f"{value} ({converted:f} {unit})"
    low, high = limits.possible
    if not low <= converted <= high:
        slip = _slip(value, limits, unit, units)
        yield placed.error(
            field,
            "impossible-value",
            f"{said} is outside what is possible, {low:f} to {high:f} {unit}",
            slip or "the value as measured and its unit; if it was misread, measure again",
        )
        return
    low, high = limits.plausible
    if not low <= converted <= high:
        yield placed.warning(
            field,
            "implausible-value",
            f"{said} is outside what is plausible, {low:f} to {high:f} {unit}",
            _slip(value, limits, unit, units) or "look again at value and unit; keep it if it is right",
        )


def _same(value: Quantity, unit: str, units: UnitTable) -> bool:
    found = units.find(value.unit)
    return value.plus is None and found is not None and found.ucum == unit


def _slip(value: Quantity, limits: Limits, unit: str, units: UnitTable) -> str:
    """The units in which the same digits would be plausible: a unit slip is the likeliest mistake."""
    if value.plus is not None:
        return ""
    written = units.find(value.unit)
    found = []
    for other in units.of_dimension(units[unit].dimension):
        if other is written:
            continue
        converted = units.convert(Quantity(value=value.value, unit=other.ucum), unit)
        if limits.plausible[0] <= converted <= limits.plausible[1]:
            found.append(
                f"{value.value:f} {unit_name(other)}" + (f" ({converted:f} {unit})" if other.ucum != unit else "")
            )
    return f"a slip of the unit? {' or '.join(found)} would be plausible; else measure again" if found else ""


def _counted(placed: Placed) -> Iterator[Problem]:
    seconds, item = placed.finding.counted_seconds, placed.item
    if seconds is None:
        return
    if item.count_seconds is None:
        yield placed.error(
            "counted_seconds",
            "not-counted",
            f"{item.id} is not counted over time",
            "leave counted_seconds out",
        )
    elif seconds < item.count_seconds:
        yield placed.warning(
            "counted_seconds",
            "short-count",
            f"counted for {seconds:f} s",
            f"count for {item.count_seconds:f} s; a rate from a shorter count is less reliable",
        )
