"""Layer structure: the form of references and the resource types they may lead to, where they show it.

FHIR R4, Resource References (references.html#literal) and the targets in the resources' definitions.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any

from adapter.fhir.definitions import resource_types
from adapter.problems import Layer, Problem, Severity
from adapter.validate.walk import ElementNode, objects, text

_SECTION = "FHIR R4 Resource References (references.html#literal)"
_LITERAL = re.compile(
    r"(?:(?P<base>https?://[^#?]+)/)?(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9.-]{1,64})(?:/_history/[A-Za-z0-9.-]{1,64})?(?:#.*)?"
)
_CONDITIONAL = re.compile(r"(?P<type>[A-Z][A-Za-z]+)\?\S+")
_ABSOLUTE = re.compile(r"[a-z][a-z0-9+.-]*:\S+")


def check_references(nodes: Iterable[ElementNode]) -> Iterator[Problem]:
    """Yield a problem for each reference of impossible form or to a type its element does not allow."""
    for node in nodes:
        if node.type != "Reference":
            continue
        reference = text(node.value, "reference")
        if reference[:4] == "urn:" and len(node.value) == 1 and _ABSOLUTE.fullmatch(reference):
            continue  # by far the most: it shows no type
        yield from _check_reference(node, reference)


def _check_reference(node: ElementNode, reference: str) -> Iterator[Problem]:
    named = text(node.value, "type")
    shown = literal_type(reference) or contained_type(node, reference)
    if reference and not _has_form(reference):
        yield _problem(
            "reference-form",
            f"{node.where}.reference",
            "neither Type/id nor an absolute URL, urn: or #id",
            "for example Patient/p1, urn:uuid:… or #p1",
        )
    if named and named not in resource_types():
        what = "Reference.type names no R4 resource"
        yield _problem("reference-type", f"{node.where}.type", what, "the name of an R4 resource")
    elif named and shown and named != shown:
        what = f"type says {named}, reference leads to {shown}"
        yield _problem("reference-type", f"{node.where}.type", what, f"type {shown}, or no type")
    targets = node.element.targets if node.element else ()
    if targets and (shown or named) and (shown or named) not in targets:
        what = f"a reference to {shown or named} may not stand here"
        yield _problem("reference-type", f"{node.where}.reference", what, " | ".join(targets))


@lru_cache(maxsize=2048)
def literal_type(reference: str) -> str:
    """The resource type that a literal or conditional reference shows; empty where it shows none."""
    match = _LITERAL.fullmatch(reference) or _CONDITIONAL.fullmatch(reference)
    return match["type"] if match and match["type"] in resource_types() else ""


@lru_cache(maxsize=2048)
def relative_parts(reference: str) -> tuple[str, str] | None:
    """Type and id of a relative literal reference (``Patient/p1``), or None."""
    match = _LITERAL.fullmatch(reference)
    if match is None or match["base"] or match["type"] not in resource_types():
        return None
    return match["type"], match["id"]


def contained_type(node: ElementNode, reference: str) -> str:
    """The type of the contained resource that ``#id`` leads to; empty where it leads to none."""
    target = contained_target(node, reference)
    return text(target, "resourceType") if target else ""


def contained_target(node: ElementNode, reference: str) -> Mapping[str, Any] | None:
    """The contained resource that ``#id`` leads to, or for ``#`` the container itself."""
    if not reference.startswith("#"):
        return None
    if reference == "#":
        return node.container.value
    contained = objects(node.container.value, "contained")
    return next((entry for entry in contained if entry.get("id") == reference[1:]), None)


@lru_cache(maxsize=2048)
def _has_form(reference: str) -> bool:
    return bool(
        reference.startswith("#")
        or _ABSOLUTE.fullmatch(reference)
        or ((_LITERAL.fullmatch(reference) or _CONDITIONAL.fullmatch(reference)) and literal_type(reference))
    )


def _problem(rule: str, where: str, what: str, remedy: str) -> Problem:
    return Problem(Severity.ERROR, Layer.STRUCTURE, rule, what, remedy, where=where, section=_SECTION)
