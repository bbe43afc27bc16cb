"""Faults of the further facts of persons that a site declares."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.lint_site import is_uri
from adapter.catalogue.vocabulary import PersonFact
from adapter.problems import Problem


def lint_facts(catalogue: Catalogue) -> Iterator[Problem]:
    """Addresses that are none or stand twice, values that do not go with the type."""
    held: Counter[tuple[str, str]] = Counter(
        (who, fact.url) for fact in catalogue.person_facts.values() for who in fact.of
    )
    for fact in catalogue.person_facts.values():
        for what, remedy, says in _faults(fact, held):
            path = ("person_facts", fact.id)
            yield catalogue.fault(path, "person-fact", f"fact {fact.id}: {what}", remedy, says=says)


def _faults(fact: PersonFact, held: Counter[tuple[str, str]]) -> Iterator[tuple[str, str, str]]:
    if not is_uri(fact.url):
        yield f"'{fact.url}' is no absolute URL", "the canonical URL of the extension", "url"
    for who in fact.of:
        if held[who, fact.url] > 1:
            yield f"{fact.url} is said of the {who} twice", "one fact an extension", "url"
    coded = fact.type in ("code", "Coding")
    if coded and not fact.values:
        yield f"a {fact.type} without values", "values: [{code: ..}], those that it may have", "type"
    if fact.values and not coded:
        yield f"a {fact.type} takes no values", "type: code or Coding, or no values", "values"
    for value in fact.values:
        if fact.type == "Coding" and not (value.system and is_uri(value.system)):
            yield f"value {value.code} of a Coding has no system", "system: the URI of its code system", value.code
        if fact.type == "code" and (value.system or value.display):
            yield (
                f"value {value.code} of a code has a system or a display",
                "its code alone, or type: Coding",
                value.code,
            )
    for code, count in Counter(value.code for value in fact.values).items():
        if count > 1:
            yield f"value {code} stands twice", "each code once, since the record has the code alone", code
