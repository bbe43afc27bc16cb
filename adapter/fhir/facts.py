"""Further facts of persons as simple extensions (FHIR R4, section 2.4), as the site declares them."""

from __future__ import annotations

from typing import Any

from adapter.catalogue import Catalogue
from adapter.catalogue.vocabulary import PersonFact
from adapter.exam import Named
from adapter.fhir.json import Json


def with_facts(resource: Json, person: Named, catalogue: Catalogue) -> Json:
    """The resource of a person with an extension for each fact that the record has, in the order of the site."""
    given = dict(person.facts or ())
    known = [fact for fact in catalogue.person_facts.values() if fact.id in given]
    if known:
        resource["extension"] = [_extension(fact, given[fact.id]) for fact in known]
    return resource


def _extension(fact: PersonFact, value: bool | str) -> Json:
    if fact.type == "Coding":
        one = next(one for one in fact.values if one.code == value)
        return {
            "url": fact.url,
            "valueCoding": one.model_dump(include={"system", "code", "display"}, exclude_none=True),
        }
    return {"url": fact.url, _element(fact): value}


def _element(fact: PersonFact) -> str:
    return f"value{fact.type[0].upper()}{fact.type[1:]}"


def facts_of(resource: Json, who: str, catalogue: Catalogue) -> dict[str, Any] | None:
    """The declared facts in the extensions of a person's resource, others passed over; None where there is none."""
    held = {one.get("url"): one for one in resource.get("extension", [])}
    found: dict[str, Any] = {}
    for fact in catalogue.person_facts.values():
        if who in fact.of and fact.url in held:
            value = held[fact.url].get(_element(fact))
            found[fact.id] = value.get("code") if fact.type == "Coding" and isinstance(value, dict) else value
    return found or None
