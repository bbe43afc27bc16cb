"""Faults of the further facts of persons that a site declares."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.lint_site import is_uri
from adapter.catalogue.vocabulary import PersonFact
from adapter.problems import Problem


def lint_facts(catalogue: Catalogue) -> Iterator[Problem]:
    """Addresses that are none or stand twice, values that do not go with the type."""
    facts = catalogue.person_facts.values()
    for fact in facts:
        alike = [other for other in facts if other.url == fact.url and {*other.of} & {*fact.of}]
        for what, remedy, says in (*_faults(fact), *_faults_of_extension(fact, alike)):
            path = ("person_facts", fact.id)
            yield catalogue.fault(path, "person-fact", f"fact {fact.id}: {what}", remedy, says=says)


def _faults_of_extension(fact: PersonFact, alike: list[PersonFact]) -> Iterator[tuple[str, str, str]]:
    """Of the extension that a fact stands in, alone or with those that are alike."""
    if len(alike) > 1 and not all(other.part for other in alike):
        yield f"{fact.url} is said of one person twice", "one fact an extension, or part: its URL within it", "url"
    if fact.part is not None and not re.fullmatch(r"[^\s/]+", fact.part):
        yield f"'{fact.part}' is no part of an extension", "the relative URL of the part, such as ombCategory", "part"
    if {other.type for other in alike if other.part == fact.part} != {fact.type}:
        yield f"part {fact.part} has several types", "one type for all facts of a part", "type"
    if fact.required and fact.part is None:
        yield "only a part of an extension is required", "part: its URL within the extension", "required"


def _faults(fact: PersonFact) -> Iterator[tuple[str, str, str]]:
    """Of a fact by itself."""
    if not is_uri(fact.url):
        yield f"'{fact.url}' is no absolute URL", "the canonical URL of the extension", "url"
    coded = fact.type == "code" or fact.has_system
    if coded and not fact.values:
        yield f"a {fact.type} without values", "values: [{code: ..}], those that it may have", "type"
    if fact.values and not coded:
        yield f"a {fact.type} takes no values", "type: code, Coding or CodeableConcept, or no values", "values"
    for value in fact.values:
        if fact.has_system and not (value.system and is_uri(value.system)):
            yield (
                f"value {value.code} of a {fact.type} has no system",
                "system: the URI of its code system",
                value.code,
            )
        if fact.type == "code" and (value.system or value.display):
            yield (
                f"value {value.code} of a code has a system or a display",
                "its code alone, or type: Coding",
                value.code,
            )
    for code, count in Counter(value.code for value in fact.values).items():
        if count > 1:
            yield f"value {code} stands twice", "each code once, since the record has the code alone", code
