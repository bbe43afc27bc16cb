"""Elements with their places, and the comparisons that profiles ask for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from adapter.fhir.definitions import Property, definition
from adapter.validate.fhirpath import PathItem


@dataclass(frozen=True, slots=True)
class PlacedElement:
    """An element and where it is."""

    item: PathItem
    where: str


@cache
def _properties(type_name: str, name: str) -> tuple[Property, ...]:
    """The JSON properties of an element name: of ``value[x]`` all, of ``valueQuantity`` the one."""
    try:
        type_ = definition(type_name)
    except KeyError:
        return ()
    stem = name.removesuffix("[x]")
    return tuple(
        item for key, item in type_.properties.items() if key == name or item.element.name in (name, f"{stem}[x]")
    )


def placed_children(parent: PlacedElement, name: str) -> Iterator[PlacedElement]:
    """The children of a name with their places."""
    item = parent.item
    value = item.value if isinstance(item.value, Mapping) else item.extra
    type_name = item.type if isinstance(item.value, Mapping) else "Element"
    if not isinstance(value, Mapping):
        return
    for step in _properties(type_name, name):
        found, extra = value.get(step.name), value.get(f"_{step.name}") if step.has_sibling else None
        if found is None and extra is None:
            continue
        is_list = isinstance(found, list) or isinstance(extra, list)
        values, extras = found if isinstance(found, list) else [found], extra if isinstance(extra, list) else [extra]
        for index in range(max(len(values), len(extras))):
            one = values[index] if index < len(values) else None
            more = extras[index] if index < len(extras) else None
            more = more if isinstance(more, Mapping) else None
            if one is None and more is None:
                continue
            inner = (
                str(one.get("resourceType", ""))
                if step.type == "Resource" and isinstance(one, Mapping)
                else step.type
            )
            place = f"{parent.where}.{step.name}"
            yield PlacedElement(PathItem(one, inner, more), f"{place}[{index}]" if is_list else place)


def is_same(value: Any, wanted: Any) -> bool:
    """Whether a value is exactly the fixed one; decimals by value."""
    if isinstance(value, Mapping) and isinstance(wanted, Mapping):
        return value.keys() == wanted.keys() and all(is_same(value[key], wanted[key]) for key in wanted)
    if isinstance(value, list) and isinstance(wanted, list):
        return len(value) == len(wanted) and all(is_same(a, b) for a, b in zip(value, wanted, strict=True))
    return (type(value) is type(wanted) and bool(value == wanted)) or _equal_numbers(value, wanted)


def has_pattern(value: Any, wanted: Any) -> bool:
    """Whether a value has at least what a pattern has (elementdefinition.html#pattern)."""
    if isinstance(wanted, Mapping):
        return isinstance(value, Mapping) and all(
            key in value and has_pattern(value[key], wanted[key]) for key in wanted
        )
    if isinstance(wanted, list):
        return isinstance(value, list) and all(any(has_pattern(one, part) for one in value) for part in wanted)
    return is_same(value, wanted)


def _equal_numbers(value: Any, wanted: Any) -> bool:
    if isinstance(value, bool) or isinstance(wanted, bool) or isinstance(value, str) or isinstance(wanted, str):
        return False
    return value is not None and bool(value == wanted)
