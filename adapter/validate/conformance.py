"""Layer invariants: what the text of R4 asks of definitions and no constraint says."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from adapter.fhir.definitions import resource_types
from adapter.problems import Layer, Problem, Severity
from adapter.validate.walk import ElementNode, objects, text

_PROPERTY = "FHIR R4 CodeSystem, concept.property.code (codesystem.html#properties)"
_KIND = "FHIR R4 StructureDefinition, kind and type"


def check_conformance(nodes: Iterable[ElementNode]) -> Iterator[Problem]:
    """Yield what is wrong within one definition."""
    for node in nodes:
        if node.type == "CodeSystem":
            yield from _check_properties(node)
        elif node.type == "StructureDefinition":
            named, kind = text(node.value, "type"), text(node.value, "kind")
            if named in resource_types() and kind in ("complex-type", "primitive-type"):
                what = f"{named} is a resource, and the kind says {kind}"
                yield _problem("kind-of-type", f"{node.where}.kind", what, "resource", _KIND)


def _check_properties(node: ElementNode) -> Iterator[Problem]:
    """Each property is defined once, and a concept has those that are defined."""
    defined: set[str] = set()
    for index, one in enumerate(node.objects("property")):
        if (code := text(one, "code")) in defined:
            what, where = f"the property {code!r} is defined twice", f"{node.where}.property[{index}].code"
            yield _problem("property-twice", where, what, "each property once", _PROPERTY)
        defined.add(code)
    yield from _check_concepts(node.value, node.where, defined)


def _check_concepts(holder: Mapping[str, Any], where: str, defined: set[str]) -> Iterator[Problem]:
    for index, concept in enumerate(objects(holder, "concept")):
        here = f"{where}.concept[{index}]"
        for number, one in enumerate(objects(concept, "property")):
            if (code := text(one, "code")) and code not in defined:
                what = f"the property {code!r} is not defined in CodeSystem.property"
                remedy = f"one of {', '.join(sorted(defined))}" if defined else "its definition"
                yield _problem("property-undefined", f"{here}.property[{number}].code", what, remedy, _PROPERTY)
        yield from _check_concepts(concept, here, defined)


def _problem(rule: str, where: str, what: str, remedy: str, section: str) -> Problem:
    return Problem(Severity.ERROR, Layer.INVARIANTS, rule, what, remedy, where=where, section=section)
