"""Further facts of persons as extensions (FHIR R4, section 2.4), simple or with parts, as the site declares them."""

from __future__ import annotations

from typing import Any

from adapter.catalogue import Catalogue
from adapter.catalogue.vocabulary import PersonFact
from adapter.exam import Named
from adapter.fhir.json import Json


def with_facts(resource: Json, person: Named, catalogue: Catalogue) -> Json:
    """The resource of a person with an extension for each fact that the record has, in the order of the site."""
    given = dict(person.facts or ())
    made: dict[str, Json] = {}
    for fact in catalogue.person_facts.values():
        if fact.id not in given:
            continue
        if fact.part is None:
            made[fact.url] = _extension(fact.url, fact, given[fact.id])
        else:
            whole = made.setdefault(fact.url, {"url": fact.url, "extension": []})
            whole["extension"].append(_extension(fact.part, fact, given[fact.id]))
    if made:
        resource["extension"] = [*made.values()]
    return resource


def _extension(url: str, fact: PersonFact, value: bool | str) -> Json:
    if not fact.has_system:
        return {"url": url, _element(fact): value}
    one = next(one for one in fact.values if one.code == value)
    coding = one.model_dump(include={"system", "code", "display"}, exclude_none=True)
    return {"url": url, _element(fact): coding if fact.type == "Coding" else {"coding": [coding]}}


def _element(fact: PersonFact) -> str:
    return f"value{fact.type[0].upper()}{fact.type[1:]}"


def facts_of(resource: Json, who: str, catalogue: Catalogue) -> dict[str, Any] | None:
    """The declared facts in the extensions of a person's resource, others passed over; None where there is none."""
    held: dict[tuple[str, str | None], list[Json]] = {}
    for one in resource.get("extension", []):
        held.setdefault((one.get("url"), None), []).append(one)
        for part in one.get("extension", []):
            held.setdefault((one.get("url"), part.get("url")), []).append(part)
    found: dict[str, Any] = {}
    for fact in catalogue.person_facts.values():
        if who in fact.of and (there := held.get((fact.url, fact.part))):
            found[fact.id] = _value(fact, there.pop(0))
    return found or None


def _value(fact: PersonFact, extension: Json) -> Any:
    value = extension.get(_element(fact))
    if fact.type == "CodeableConcept" and isinstance(value, dict):
        value = next(iter(value.get("coding", ())), None)
    return value.get("code") if fact.has_system and isinstance(value, dict) else value
