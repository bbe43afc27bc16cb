"""Layer terminology, bindings: codes against the value sets and code systems that R4 itself defines.

FHIR R4, Terminologies (terminologies.html#strength). A *required* value set must have the code; of an *extensible*
one a code should be taken unless none fits, so its absence is a warning: a validator cannot judge what fits, but the
owner of a code can (``_NONE_FITS``). Required bindings of plain codes are the structure layer's. Value sets that the
official package cannot enumerate (LOINC, SNOMED CT …) are passed over.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from typing import Any

from adapter.fhir.definitions import (
    ElementDefinition,
    ValueSetDefinition,
    code_system,
    definition,
    value_set,
)
from adapter.problems import Layer, Problem, Severity
from adapter.validate.currencies import CURRENCIES
from adapter.validate.languages import is_known_language, is_known_mime, is_mime, is_tag
from adapter.validate.walk import ElementNode, objects, text

_BINDING = "FHIR R4 Terminologies (terminologies.html#strength)"
_LIVING = "http://terminology.hl7.org/"  # HL7 publishes these anew twice a year; R4 has those of 2019
_QUANTITIES = ("Quantity", "Age", "Count", "Distance", "Duration")
_LANGUAGE_SYSTEM = "urn:ietf:bcp:47"


@dataclass(frozen=True, slots=True)
class _Form:
    """A value set that is a grammar, and what of it can be known beyond the grammar."""

    has_form: Callable[[str], bool]
    is_known: Callable[[str], bool]
    rule: str
    what: str
    remedy: str
    unknown: Severity

    def problem(self, code: str, where: str) -> Problem | None:
        """What is wrong with a code, if anything."""
        if not self.has_form(code):
            return _problem(f"{self.rule}-form", where, f"not a {self.what}", self.remedy)
        if not self.is_known(code):
            return _problem(f"{self.rule}-unknown", where, f"no {self.what} that there is", self.remedy, self.unknown)
        return None


_LANGUAGE = _Form(
    is_tag, is_known_language, "language", "language tag", "a BCP 47 tag, such as en or de-CH", Severity.ERROR
)
_MIME = _Form(is_mime, is_known_mime, "mime", "MIME type", "type/subtype, such as application/pdf", Severity.WARNING)
_FORMS = {"language": _LANGUAGE, "contentType": _MIME}


def check_bindings(nodes: Iterable[ElementNode], elsewhere: Container[str] = ()) -> Iterator[Problem]:
    """Yield a problem for each code that its value set or its code system does not have.

    ``elsewhere`` are the code systems of a site's packages, whose word goes before that of R4's own release.
    """
    for node in nodes:
        element, type_name = node.element, node.type
        if not _has_codes(type_name):
            continue
        if (type_name == "Coding" or type_name in _QUANTITIES) and (problem := _check_system(node, elsewhere)):
            yield problem
        if element is not None and (element.binding or element.extensible) and type_name in _BOUND:
            yield from _check_bound(node, element)
        for name, form in _forms(type_name):
            if (code := text(node.value, name)) and (problem := form.problem(code, f"{node.where}.{name}")):
                yield problem
        if type_name == "Money" and isinstance(money := node.value.get("currency"), str) and money not in CURRENCIES:
            what, remedy = "no currency of ISO 4217", "three capital letters, such as EUR"
            yield _problem("code-not-in-value-set", f"{node.where}.currency", what, remedy)
        for name, codes in _extensible_codes(type_name):
            value = node.value.get(name)
            if isinstance(value, str) and value not in codes.codes:
                yield _outside(f"{node.where}.{name}", codes, Severity.WARNING)


@cache
def _has_codes(type_name: str) -> bool:
    """Whether anything is asked of the objects of a type: most have no code."""
    own = type_name in ("Coding", "Money", *_QUANTITIES, *_BOUND)
    return own or bool(_forms(type_name) or _extensible_codes(type_name))


@cache
def _forms(type_name: str) -> tuple[tuple[str, _Form], ...]:
    """The codes of a type whose value set is a grammar."""
    properties = definition(type_name).properties
    if type_name == "Expression":
        return ()  # its language is a programming language
    codes = {name for name, item in properties.items() if item.type == "code"}
    return tuple((name, form) for name, form in _FORMS.items() if name in codes)


@cache
def _extensible_codes(type_name: str) -> tuple[tuple[str, ValueSetDefinition], ...]:
    """The plain codes of a type that have an extensible binding, and their value set."""
    found = []
    for name, item in definition(type_name).properties.items():
        if item.type == "code" and item.element.extensible and not item.is_array:
            codes = value_set(item.element.extensible)
            if codes is not None:
                found.append((name, codes))
    return tuple(found)


def _check_system(node: ElementNode, elsewhere: Container[str]) -> Problem | None:
    """A code system that R4 defines in full, or that of languages, has the code."""
    system, code = text(node.value, "system"), text(node.value, "code")
    if system == _LANGUAGE_SYSTEM:
        return _LANGUAGE.problem(code, f"{node.where}.code") if code else None
    codes = code_system(system) if code and system.startswith("http") else None
    if codes is None or code in codes or "version" in node.value or system in elsewhere:
        return None
    near = get_close_matches(code[:64], codes, 1)
    remedy = f"{near[0]!r}?" if near else "a code of the code system, or one's own code system"
    if system.startswith(_LIVING):
        remedy += "; a code of a later release needs its package, with --package"
    return _problem("unknown-code", f"{node.where}.code", f"{system} has no such code", remedy)


def _codings(node: ElementNode) -> list[Mapping[str, Any]]:
    if node.type == "CodeableConcept":
        return objects(node.value, "coding")
    return [node.value]


_BOUND = ("CodeableConcept", "Coding", *_QUANTITIES)

_NONE_FITS = {("CodeSystem/finding-meaning", "variant"): "http://hl7.org/fhir/ValueSet/observation-interpretation"}
"""Codes of ours that no code of an extensible value set means, as their ConceptMap says: alone they are right. The
address before the code system's name is the site's."""


def _check_bound(node: ElementNode, element: ElementDefinition) -> Iterator[Problem]:
    codes = value_set(element.binding or element.extensible)
    if codes is None:
        return
    severity = Severity.ERROR if element.binding else Severity.WARNING
    given = [(text(coding, "system"), text(coding, "code")) for coding in _codings(node)]
    given = [pair for pair in given if pair[1]]
    if any(code in codes.systems.get(system, ()) for system, code in given):
        return
    if none_fits(node.value, codes.url):
        return
    if given:
        yield _outside(node.where, codes, severity)
    elif element.binding and node.type == "CodeableConcept":
        remedy = f"a coding of {codes.url.partition('|')[0]}"
        yield _problem("code-missing", node.where, "a code is needed, words alone do not do", remedy)


def none_fits(concept: Mapping[str, Any], value_set_url: str) -> bool:
    """Whether a CodeableConcept has a code for which the value set has none, as the code's owner says."""
    pairs = ((text(coding, "system"), text(coding, "code")) for coding in objects(concept, "coding"))
    known = (_NONE_FITS.get(("/".join(system.rsplit("/", 2)[1:]), code)) for system, code in pairs)
    return value_set_url.partition("|")[0] in known


def _outside(where: str, codes: ValueSetDefinition, severity: Severity) -> Problem:
    url = codes.url.partition("|")[0]
    if severity is Severity.ERROR:
        what, rule = f"no code of the required value set {url}", "code-not-in-value-set"
    else:
        what, rule = f"no code of the extensible value set {url}", "code-outside-extensible"
    listed = sorted(codes.codes)
    remedy = " | ".join(listed) if len(listed) <= 20 else f"a code of {url}"
    if severity is not Severity.ERROR:
        remedy += ", beside your own code; unless none of them fits"
    return _problem(rule, where, what, remedy, severity)


def _problem(rule: str, where: str, what: str, remedy: str, severity: Severity = Severity.ERROR) -> Problem:
    return Problem(severity, Layer.TERMINOLOGY, rule, what, remedy, where=where, section=_BINDING)
