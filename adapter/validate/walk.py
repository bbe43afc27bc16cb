"""Walks a resource by the R4 element table: every object with its type, its place and its resource.

Walking never fails on malformed input; what has the wrong shape is passed over (the structure layer has
reported it), so that the later layers still check the rest.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from adapter.fhir.definitions import ElementDefinition, definition, resource_types


@dataclass(frozen=True, slots=True, eq=False)
class Node:
    """An object inside a resource.

    ``where`` is its place (``Bundle.entry[3].resource.valueQuantity``), ``type`` its R4 type, ``element``
    the definition of the element that holds it (None for the outermost resource); ``resource`` is the
    resource that holds it, ``root`` that resource's container where it is a contained one.
    """

    where: str
    type: str
    value: Mapping[str, Any]
    element: ElementDefinition | None
    resource: Node | None
    root: Node | None

    @property
    def is_contained(self) -> bool:
        """Whether this is a resource contained in another one."""
        return self.element is not None and self.element.name == "contained"

    @property
    def own(self) -> Node:
        """The resource that holds this object: itself, if it is a resource."""
        return self.resource or self

    @property
    def container(self) -> Node:
        """The outermost resource short of a Bundle's entry: where ``#id`` references look."""
        return self.root or self.own

    def objects(self, name: str) -> list[Mapping[str, Any]]:
        """The objects of a property, whether written as an array or single; what is no object is left out."""
        return objects(self.value, name)


def objects(value: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    """The objects under ``name``, as a list; empty where there are none."""
    found = value.get(name)
    entries = found if isinstance(found, list) else [found]
    return [entry for entry in entries if isinstance(entry, Mapping)]


def text(value: Mapping[str, Any], name: str) -> str:
    """The string under ``name``; empty where there is none."""
    found = value.get(name)
    return found if isinstance(found, str) else ""


def has(value: Mapping[str, Any], name: str) -> bool:
    """Whether an element exists in the sense of FHIRPath: a value, or id and extensions beside it."""
    if name.endswith("[x]"):
        stem = name[:-3]
        keys = (key.removeprefix("_") for key in value)
        return any(key.startswith(stem) and key[len(stem) : len(stem) + 1].isupper() for key in keys)
    return value.get(name) not in (None, [], {}, "") or bool(value.get(f"_{name}"))


def walk(resource: Mapping[str, Any]) -> list[Node]:
    """All objects of a resource in document order, the resource itself first.

    Contained resources and resources of entries are walked too; types outside the table are passed over.
    """
    name = resource.get("resourceType")
    nodes: list[Node] = []
    if isinstance(name, str):
        _walk_resource(resource, name, None, None, nodes)
    return nodes


def _walk_resource(
    value: Mapping[str, Any], where: str, element: ElementDefinition | None, root: Node | None, nodes: list[Node]
) -> None:
    name = value.get("resourceType")
    if not isinstance(name, str) or name not in resource_types():
        return
    node = Node(where, name, value, element, None, root)
    nodes.append(node)
    _walk_content(node, node, nodes)


def _walk_content(node: Node, resource: Node, nodes: list[Node]) -> None:
    properties = definition(node.type).properties
    for name, content in node.value.items():
        item = properties.get(name)
        if item is None:
            item = properties.get(name.removeprefix("_"))
            if item is None or not item.has_sibling:
                continue
            type_name = "Element"
        elif item.is_primitive:
            continue
        else:
            type_name = item.type
        for place, entry in _entries(content, f"{node.where}.{name}"):
            if type_name == "Resource":
                root = resource.root or resource if name == "contained" else None
                _walk_resource(entry, place, item.element, root, nodes)
                continue
            child = Node(place, type_name, entry, item.element, resource, resource.root)
            nodes.append(child)
            _walk_content(child, resource, nodes)


def _entries(content: Any, where: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    if isinstance(content, Mapping):
        yield where, content
    elif isinstance(content, list):
        for index, entry in enumerate(content):
            if isinstance(entry, Mapping):
                yield f"{where}[{index}]", entry
