"""The numbers of a finding in the item's unit."""

from __future__ import annotations

from decimal import Decimal

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.derive.age import age_hours
from adapter.derive.scores import score_total
from adapter.exam import At, Exam, Finding, Quantities, Quantity, Score


def number(finding: Finding, item: Item, catalogue: Catalogue) -> Decimal | None:
    """The finding's one number in the item's unit (a score's total), or None where it has none."""
    value = finding.value
    if isinstance(value, Quantity) and item.type is ItemType.QUANTITY and item.unit:
        return catalogue.amount(value, item)
    if isinstance(value, Score):
        total = score_total(value, item)
        return None if total is None else Decimal(total)
    return None


def component_numbers(value: Quantities, item: Item, catalogue: Catalogue) -> dict[str, Decimal]:
    """The numbers of a measurement that has several, in the item's unit."""
    wanted, unit = item.unit or value.unit, catalogue.units.find(value.unit)
    if unit is not None and unit.ucum == wanted:
        return value.components
    return {
        component_id: catalogue.units.convert(Quantity(value=number, unit=value.unit), wanted)
        for component_id, number in value.components.items()
    }


def exact_number(
    finding: Finding, item: Item, exam: Exam, catalogue: Catalogue, component: str, exact: Decimal | None
) -> Decimal | None:
    """The number that rules ask of: hours of life for a moment, a component by its name; None for ``<40``."""
    value = finding.value
    if exact is not None:
        return exact
    if isinstance(value, At):
        return age_hours(exam, value.time)
    if isinstance(value, Quantities):
        return component_numbers(value, item, catalogue).get(component)
    if isinstance(value, Quantity) and value.comparator is not None:
        return None
    return number(finding, item, catalogue)
