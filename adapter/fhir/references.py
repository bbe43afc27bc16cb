"""The references inside a resource, replaced."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from adapter.fhir.json import Json


def with_references(node: Any, change: Callable[[Json], Json]) -> Any:
    """A copy of a resource with every Reference that has a literal one (``reference``) changed."""
    if isinstance(node, dict):
        if isinstance(node.get("reference"), str):
            return change(node)
        return {key: with_references(value, change) for key, value in node.items()}
    if isinstance(node, list):
        return [with_references(element, change) for element in node]
    return node
