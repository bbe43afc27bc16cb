"""Walks a resource by the R4 element table: every object with its type, its place and its resource.

Walking never fails on malformed input; what has the wrong shape is passed over (the structure layer reports
it), so that the later layers still check the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import lru_cache
from typing import Any

from adapter.fhir.definitions import ElementDefinition, definition, resource_types
from adapter.validate.sound import Asking, Sound


class Shape:
    """The type of an object and the names in it: what follows from these is worked out once for all that share them.

    ``complex`` are the names that hold objects, each with the objects' type and the element's definition; ``tests``
    are the structure layer's, ``invariants`` those that may be broken by these names (None until they are made).
    """

    __slots__ = ("complex", "invariants", "names", "tests", "type")

    def __init__(self, type_: str, names: tuple[str, ...]) -> None:
        self.type = type_
        self.names = names
        self.tests: tuple[Callable[[Any], bool], ...] | None = None
        self.invariants: tuple[Any, ...] | None = None
        known = definition(type_).properties
        found = []
        for name in names:
            plain = name.removeprefix("_")
            item = known.get(plain)
            if item is not None and plain == name and not item.is_primitive:
                found.append((name, item.type, item.element))
            elif item is not None and plain != name and item.is_primitive and item.has_sibling:
                found.append((name, "Element", item.element))
        self.complex = tuple(found)


_shape = lru_cache(maxsize=4096)(Shape)
_MOST_NAMES = 64  # no object of R4 that is right has more, and no other is kept


class ElementNode:
    """An object inside a resource.

    ``parent`` is the object that holds it (None for the outermost resource) under the property ``name``, at
    ``index`` where that is an array; ``type`` is its R4 type, ``element`` the definition of the element that
    holds it; ``resource`` is the resource that holds it, ``root`` that resource's container where it is a
    contained one.
    """

    __slots__ = ("element", "index", "name", "parent", "resource", "root", "shape", "type", "value")

    def __init__(
        self,
        parent: ElementNode | None,
        name: str,
        index: int | None,
        type_: str,
        value: Mapping[str, Any],
        element: ElementDefinition | None,
        resource: ElementNode | None,
        root: ElementNode | None,
    ) -> None:
        self.parent = parent
        self.name = name
        self.index = index
        self.type = type_
        self.value = value
        self.element = element
        self.resource = resource
        self.root = root
        self.shape = (_shape if len(value) <= _MOST_NAMES else Shape)(type_, tuple(value))

    @property
    def where(self) -> str:
        """The place, like a FHIRPath: ``Bundle.entry[3].resource.valueQuantity``.

        It is put together when it is asked for: places are only needed where something is wrong.
        """
        if self.parent is None:
            return self.name
        place = f"{self.parent.where}.{self.name}"
        return place if self.index is None else f"{place}[{self.index}]"

    @property
    def is_contained(self) -> bool:
        """Whether this is a resource contained in another one."""
        return self.element is not None and self.element.name == "contained"

    @property
    def own(self) -> ElementNode:
        """The resource that holds this object: itself, if it is a resource."""
        return self.resource or self

    @property
    def container(self) -> ElementNode:
        """The outermost resource short of a Bundle's entry: where ``#id`` references look."""
        return self.root or self.own

    def objects(self, name: str) -> list[Mapping[str, Any]]:
        """The objects of a property, whether written as an array or single; what is no object is left out."""
        return objects(self.value, name)


def objects(value: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    """The objects under ``name``, as a list; empty where there are none."""
    found = value.get(name)
    if found is None:
        return []
    entries = found if isinstance(found, list) else [found]
    # most are a dict, and to ask of an abstract class is slow
    return [entry for entry in entries if type(entry) is dict or isinstance(entry, Mapping)]


def text(value: Mapping[str, Any], name: str) -> str:
    """The string under ``name``; empty where there is none."""
    found = value.get(name)
    return found if isinstance(found, str) else ""


def claimed_profiles(resource: Mapping[str, Any]) -> list[str]:
    """The canonicals in ``meta.profile``, each once; what is no string there is left out."""
    if "meta" not in resource:
        return []
    found = [meta.get("profile") for meta in objects(resource, "meta")]
    return list(
        dict.fromkeys(p for listed in found if isinstance(listed, list) for p in listed if isinstance(p, str))
    )


def has(value: Mapping[str, Any], name: str) -> bool:
    """Whether an element exists in the sense of FHIRPath: a value, or id and extensions beside it."""
    if name.endswith("[x]"):
        stem = name[:-3]
        for key in value:
            if stem in key and (plain := key.removeprefix("_")).startswith(stem) and plain[len(stem) :][:1].isupper():
                return True
        return False
    return value.get(name) not in (None, [], {}, "") or bool(value.get(f"_{name}"))


def walk(resource: Mapping[str, Any], sound: Sound | None = None) -> list[ElementNode]:
    """All objects of a resource in document order, the resource itself first.

    Contained resources and resources of entries are walked too; what names no R4 resource is passed over, and so is
    what is known to be ``sound``.
    """
    nodes: list[ElementNode] = []
    name = resource.get("resourceType")
    if isinstance(name, str):
        _walk_resource(resource, name, None, None, None, None, nodes, {} if sound is None else sound.asking())
    return nodes


def _walk_resource(
    value: Mapping[str, Any],
    name: str,
    index: int | None,
    parent: ElementNode | None,
    element: ElementDefinition | None,
    root: ElementNode | None,
    nodes: list[ElementNode],
    asked: Asking,
) -> None:
    type_name = value.get("resourceType")
    if isinstance(type_name, str) and type_name in resource_types():
        node = ElementNode(parent, name, index, type_name, value, element, None, root)
        nodes.append(node)
        _walk_content(node, node, nodes, asked)


def _walk_content(node: ElementNode, resource: ElementNode, nodes: list[ElementNode], asked: Asking) -> None:
    root, value, type_ = resource.root, node.value, node.type
    for name, type_name, element in node.shape.complex:
        content = value[name]
        entries: Any
        if isinstance(content, dict):
            entries = ((None, content),)
        elif isinstance(content, list):
            entries = enumerate(content)
        else:
            continue
        passes = asked.get(type_name)
        for index, entry in entries:
            if not isinstance(entry, dict) or (passes is not None and passes(type_, name, entry)):
                continue
            if type_name == "Resource":
                inner = (root or resource) if name == "contained" else None
                _walk_resource(entry, name, index, node, element, inner, nodes, asked)
                continue
            child = ElementNode(node, name, index, type_name, entry, element, resource, root)
            nodes.append(child)
            if child.shape.complex:
                _walk_content(child, resource, nodes, asked)
