"""Where an extension may stand (FHIR R4, defining-extensions.html#context)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from adapter.fhir.definitions import definition
from adapter.validate.fhirpath import Context, FhirPathError, PathItem, compiled
from adapter.validate.fhirpath.items import is_type
from adapter.validate.packages.load import Json
from adapter.validate.walk import ElementNode, text


def allowed_places(structure: Json) -> list[str]:
    """The contexts of an extension's definition, for people."""
    return [text(context, "expression") for context in structure.get("context") or () if isinstance(context, Mapping)]


def may_stand(node: ElementNode, structure: Json) -> bool:
    """Whether one of its contexts lets an extension stand where it does; true where that cannot be told."""
    contexts = [context for context in structure.get("context") or () if isinstance(context, Mapping)]
    return not contexts or any(_is_met(node, text(one, "type"), text(one, "expression")) for one in contexts)


def _is_met(node: ElementNode, kind: str, expression: str) -> bool:
    holder = node.parent
    if holder is None or kind not in ("element", "extension", "fhirpath"):
        return True
    if kind == "extension":
        return holder.type == "Extension" and text(holder.value, "url") == expression
    return _is_element(holder, expression) if kind == "element" else _is_selected(holder, expression)


def _is_element(holder: ElementNode, named: str) -> bool:
    """Whether the element that has the extension is of a type, or at a path, that its context names."""
    if holder.type == "Element" and holder.parent is not None:  # id and extensions beside a primitive
        item = definition(holder.parent.type).properties.get(holder.name.removeprefix("_"))
        name = item.element.name.removesuffix("[x]") if item else ""
        return named in ("Element", item.type if item else "", f"{holder.parent.type}.{name}")
    return named == "Element" or named in _paths(holder) or is_type(holder.type, named)


def _paths(holder: ElementNode) -> Iterator[str]:
    """The paths that lead to an element: from the type that it is an element of, and from each that holds that one,
    up to the resource (``CodeableConcept.coding``, ``Condition.code.coding``)."""
    path, node = "", holder
    while node.parent is not None and node.element is not None:
        path = f".{node.element.name.removesuffix('[x]')}{path}"
        node = node.parent
        yield f"{node.type}{path}"


def _is_selected(holder: ElementNode, expression: str) -> bool:
    """Whether an expression, asked of the resource, selects the element that has the extension."""
    own, root = holder.own, holder.container
    resource = PathItem(own.value, own.type)
    context = Context(resource=resource, root=PathItem(root.value, root.type), context=resource)
    try:
        selected = compiled(expression)(context, [resource])
    except FhirPathError:
        return True
    return any(item.value is holder.value or item.extra is holder.value for item in selected)
