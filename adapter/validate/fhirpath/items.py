"""The items of a FHIRPath collection, and the steps from one to its children, by the R4 element table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from functools import cache
from typing import Any

from adapter.fhir.definitions import Property, definition, primitive_names, resource_types

_NUMBERS = (int, Decimal, float)
#: primitive types and the one they specialise (FHIR R4, datatypes.html)
_PRIMITIVE_BASES = {
    "code": "string", "id": "string", "markdown": "string", "url": "uri", "canonical": "uri", "uuid": "uri",
    "oid": "uri", "positiveInt": "integer", "unsignedInt": "integer",
}  # fmt: skip


class PathItem:
    """A value with its FHIR type; a primitive also has the object of its id and extensions, if any."""

    __slots__ = ("extra", "type", "value")

    def __init__(self, value: Any, type_: str, extra: Mapping[str, Any] | None = None) -> None:
        self.value = value
        self.type = type_
        self.extra = extra

    @property
    def is_primitive(self) -> bool:
        """Whether the value is no object."""
        return not isinstance(self.value, Mapping)


def item_of(value: Any, type_: str = "") -> PathItem:
    """An item of a literal, or of a resource, whose type it says itself."""
    if type_:
        return PathItem(value, type_)
    if isinstance(value, Mapping):
        return PathItem(value, str(value.get("resourceType", "")))
    kinds = {bool: "boolean", str: "string", int: "integer"}
    return PathItem(value, kinds.get(type(value), "decimal"))


@cache
def _steps(type_name: str) -> dict[str, list[Property]]:
    """FHIRPath name to the JSON properties behind it; ``value`` leads to every ``valueX``."""
    try:
        properties = definition(type_name).properties.values()
    except KeyError:
        return {}
    steps: dict[str, list[Property]] = {}
    for item in properties:
        steps.setdefault(item.element.name.removesuffix("[x]"), []).append(item)
    return steps


def children(item: PathItem, name: str) -> Iterator[PathItem]:
    """The children of one name, in order."""
    value = item.value
    if not isinstance(value, Mapping):
        if item.extra:
            yield from children(PathItem(item.extra, "Element"), name)
        return
    for step in _steps(item.type).get(name, ()):
        yield from _entries(value, step)


def all_children(item: PathItem) -> Iterator[PathItem]:
    """All children in the order of the definition."""
    value = item.value
    if not isinstance(value, Mapping):
        if item.extra:
            yield from all_children(PathItem(item.extra, "Element"))
        return
    for steps in _steps(item.type).values():
        for step in steps:
            if step.name in value or (step.has_sibling and f"_{step.name}" in value):
                yield from _entries(value, step)


def descendants(item: PathItem) -> Iterator[PathItem]:
    """All children, and theirs."""
    for child in all_children(item):
        yield child
        yield from descendants(child)


def _entries(value: Mapping[str, Any], step: Property) -> Iterator[PathItem]:
    found = value.get(step.name)
    extra = value.get(f"_{step.name}") if step.has_sibling else None
    if found is None and extra is None:
        return
    values = found if isinstance(found, list) else [found]
    extras = extra if isinstance(extra, list) else [extra]
    for index in range(max(len(values), len(extras))):
        one = values[index] if index < len(values) else None
        more = extras[index] if index < len(extras) else None
        more = more if isinstance(more, Mapping) else None
        if one is None and more is None:
            continue
        type_ = step.type
        if isinstance(one, Mapping):
            if step.is_primitive:
                continue
            if type_ == "Resource":
                type_ = str(one.get("resourceType", ""))
        elif not step.is_primitive:
            continue
        yield PathItem(one, type_, more)


def is_type(type_name: str, wanted: str) -> bool:
    """Whether a FHIR type is another one or specialises it; System types count as their FHIR namesakes."""
    if wanted[:1].isupper() and wanted[:1].lower() + wanted[1:] in primitive_names():
        wanted = wanted[:1].lower() + wanted[1:]
    if wanted == "Resource" and type_name in resource_types():
        return True
    while type_name:
        if type_name == wanted:
            return True
        type_name = _base(type_name)
    return False


@cache
def _base(type_name: str) -> str:
    if type_name in primitive_names():
        return _PRIMITIVE_BASES.get(type_name, "")
    try:
        return definition(type_name).base
    except KeyError:
        return ""


def equal(first: PathItem, second: PathItem) -> bool | None:
    """FHIRPath equality of two items; None where the precision of times does not let it be decided."""
    one, two = first.value, second.value
    if isinstance(one, Mapping) or isinstance(two, Mapping):
        if _is_quantity(first) and _is_quantity(second):
            return _comparable(one, two) and _number(one) == _number(two)
        return bool(one == two)
    if isinstance(one, bool) or isinstance(two, bool):
        return one is two
    if isinstance(one, str) and isinstance(two, str) and _is_time(first) and _is_time(second):
        order = _compare_times(one, two)
        return None if order is None else order == 0
    return one is not None and bool(one == two)


def compare(first: PathItem, second: PathItem) -> int | None:
    """-1, 0 or 1; None where the two cannot be compared."""
    one, two = first.value, second.value
    if isinstance(one, Mapping) and isinstance(two, Mapping):
        if not _comparable(one, two):
            return None
        one, two = _number(one), _number(two)
    elif isinstance(one, str) and isinstance(two, str) and (_is_time(first) or _is_time(second)):
        return _compare_times(one, two)
    if isinstance(one, bool) or isinstance(two, bool):
        return None
    if isinstance(one, _NUMBERS) and isinstance(two, _NUMBERS):
        return (one > two) - (one < two)
    if isinstance(one, str) and isinstance(two, str):
        return (one > two) - (one < two)
    return None


def _is_quantity(item: PathItem) -> bool:
    return isinstance(item.value, Mapping) and is_type(item.type, "Quantity")


def _comparable(one: Mapping[str, Any], two: Mapping[str, Any]) -> bool:
    return (one.get("code") or one.get("unit")) == (two.get("code") or two.get("unit"))


def _number(quantity: Mapping[str, Any]) -> Any:
    value = quantity.get("value")
    return value if isinstance(value, _NUMBERS) and not isinstance(value, bool) else None


def _is_time(item: PathItem) -> bool:
    return item.type in ("date", "dateTime", "instant", "time")


def _compare_times(one: str, two: str) -> int | None:
    try:
        if "T" in one and "T" in two:
            first, second = datetime.fromisoformat(one), datetime.fromisoformat(two)
            return (first > second) - (first < second)
    except (ValueError, TypeError):
        return None
    common = min(len(one.partition("T")[0]), len(two.partition("T")[0]))
    if one[:common] != two[:common]:
        return 1 if one[:common] > two[:common] else -1
    return 0 if len(one) == len(two) else None
