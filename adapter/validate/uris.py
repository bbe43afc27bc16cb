"""Layer structure: URIs that must be absolute, since what they name must be the same wherever they are read.

FHIR R4: Identifier (datatypes.html#Identifier, identifier-registry.html), Extension.url (extensibility.html), the
url of what others refer to by canonical (the definitions of the resources: "an absolute URI"),
ValueSet.compose.include.system. Canonicals are a datatype of their own (:mod:`adapter.validate.values`);
Coding.system is the terminology layer's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache

from adapter.fhir.definitions import definition, resource_types
from adapter.problems import Layer, Problem, Severity
from adapter.validate.values import is_absolute
from adapter.validate.walk import ElementNode, text

URI = "urn:ietf:rfc:3986"
_IDENTIFIER = "FHIR R4 Identifier (datatypes.html#Identifier)"
_REGISTRY = "FHIR R4 Identifier Systems (identifier-registry.html)"
_EXTENSION = "FHIR R4 Extensibility (extensibility.html#Extension)"
_PUBLICATION = "http://hl7.org/fhir/ValueSet/publication-status"


def check_uris(nodes: Iterable[ElementNode]) -> Iterator[Problem]:
    """Yield a problem for each URI that is relative and may not be."""
    for node in nodes:
        if node.type == "Identifier":
            # "The namespace for the value - that is, a URL": no sentence of R4 forbids a short name, and a house may
            # use one among its own. The reference judge refuses it.
            what = "the namespace of an identifier"
            yield from _relative(node, "system", "identifier-system", what, _IDENTIFIER, Severity.WARNING)
            if text(node.value, "system") == URI and not is_absolute(text(node.value, "value") or URI):
                what, remedy = f"no URI, although the system is {URI}", "urn:oid:… or urn:uuid:…, or another system"
                yield _problem("identifier-uri", f"{node.where}.value", what, remedy, _REGISTRY)
        elif node.type == "Extension":
            if node.parent is None or node.parent.type != "Extension":
                yield from _relative(node, "url", "extension-url", "what names an extension", _EXTENSION)
        elif node.resource is None and _is_canonical(node.type):
            yield from _relative(
                node, "url", "canonical-url", "what others refer to it by", f"FHIR R4 {node.type}, url"
            )
        elif node.type == "ValueSet.compose.include":
            section = "FHIR R4 ValueSet, compose.include.system"
            yield from _relative(node, "system", "code-system-form", "a code system", section)


@cache
def _is_canonical(type_name: str) -> bool:
    """Whether a resource is one that others refer to by canonical: it has a url, and the status of a publication."""
    if type_name not in resource_types():
        return False
    properties = definition(type_name).properties
    status = properties.get("status")
    return "url" in properties and status is not None and status.element.binding.startswith(_PUBLICATION)


def _relative(
    node: ElementNode, name: str, rule: str, what: str, section: str, severity: Severity = Severity.ERROR
) -> Iterator[Problem]:
    value = text(node.value, name)
    if value and not is_absolute(value):
        yield _problem(rule, f"{node.where}.{name}", f"{what} is relative", "an absolute URI", section, severity)


def _problem(
    rule: str, where: str, what: str, remedy: str, section: str, severity: Severity = Severity.ERROR
) -> Problem:
    return Problem(severity, Layer.STRUCTURE, rule, what, remedy, where=where, section=section)
