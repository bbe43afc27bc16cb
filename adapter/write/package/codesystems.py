"""CodeSystems of what is ours: items, answers, reasons and the rest, each concept with its definition.

FHIR R4 CodeSystem (section 4.8). The adapter's own systems are complete; of a site's own house only the codes that it
maps are known, so that one is a fragment.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from adapter.catalogue import Catalogue, Component, Sign, load_catalogue
from adapter.catalogue.model import MayRetire
from adapter.catalogue.vocabulary import CodeSystem, Term
from adapter.derive import makers
from adapter.fhir.json import Json
from adapter.write.package.names import conformance
from adapter.write.package.names import url as url_of

ORDINAL = "http://hl7.org/fhir/StructureDefinition/ordinalValue"
_PLURAL = {"urgency": "urgencies"}
_PROPERTIES = {
    "item": {"region": "The region that it belongs to.", "type": "How it is answered."},
    "answer": {"meaning": "What it says of the infant.", "urgency": "How soon the provider must hear of it."},
    "reason": {"data-absent-reason": "The code of R4's data-absent-reason that is sent with it."},
}


INACTIVE = "http://hl7.org/fhir/concept-properties#inactive"


def code_systems(catalogue: Catalogue) -> list[Json]:
    """One CodeSystem for each of the adapter's own systems, and for each of the site's."""
    english = load_catalogue() if catalogue.language != "en" else None
    own = [_own(system, catalogue, english) for system in catalogue.systems.values() if system.own]
    return own + [_local(system, catalogue) for system in catalogue.systems.values() if system.local]


def _own(system: CodeSystem, catalogue: Catalogue, english: Catalogue | None) -> Json:
    name = system.uri.rpartition("/")[2]
    concepts = list(concepts_of(system.id, catalogue))
    if english is not None:
        shipped = {concept["code"]: concept["display"] for concept in concepts_of(system.id, english)}
        concepts = [_with_english(concept, shipped) for concept in concepts]
    properties = [
        {"code": code, "uri": f"{url_of('CodeSystem', name, catalogue)}#{code}", "description": words, "type": "code"}
        for code, words in _PROPERTIES.get(system.id, {}).items()
    ]
    if any(one["code"] == "inactive" for concept in concepts for one in concept.get("property", ())):
        words = "Retired by the site"
        properties.append({"code": "inactive", "uri": INACTIVE, "description": words, "type": "boolean"})
    found = {
        **conformance("CodeSystem", name, system.label, f"{system.label}; the adapter's own codes.", catalogue),
        "url": catalogue.uri(system.id),
        "caseSensitive": True,
        "valueSet": url_of("ValueSet", name, catalogue),
        "content": "complete",
        "count": len(concepts),
    }
    return {**found, **({"property": properties} if properties else {}), "concept": concepts}


def _with_english(concept: Json, shipped: dict[str, str]) -> Json:
    """The shipped English label as designation, where the site's language has another."""
    label = shipped.get(concept["code"])
    if label is None or label == concept["display"]:
        return concept
    head: Json = {key: concept[key] for key in ("extension", "code", "display", "definition") if key in concept}
    rest = {key: value for key, value in concept.items() if key not in head}
    return {**head, "designation": [{"language": "en", "value": label}], **rest}


def _local(system: CodeSystem, catalogue: Catalogue) -> Json:
    """The codes of the site's own system that its catalogue uses."""
    used = {code.code: code for _, code in catalogue.codes() if code.system == system.id}
    words = f"{system.label}; a fragment: the codes that the adapter sends."
    return {
        **conformance("CodeSystem", system.id, system.label, words, catalogue),
        "url": system.uri,
        "caseSensitive": True,
        "content": "fragment",
        "count": len(used),
        "concept": [
            {"code": code.code, **({"display": code.display} if code.display else {})}
            for _, code in sorted(used.items())
        ],
    }


def concepts_of(system: str, catalogue: Catalogue) -> Iterator[Json]:
    """The concepts of one of our own systems, in the catalogue's order."""
    match system:
        case "item":
            yield from _items(catalogue)
        case "answer":
            yield from _answers(catalogue)
        case "component":
            for item in catalogue.items.values():
                parts: tuple[Component | Sign, ...] = (*item.components, *item.signs)
                for part in parts:
                    yield _concept(f"{item.id}.{part.id}", part.label, f"{item.label}: {part.label}")
        case "region":
            for region in catalogue.regions.values():
                yield _concept(region.region, region.label, f"All that was found: {region.label}")
        case "rule":
            for maker in makers(catalogue):
                source = catalogue.sources.get(maker.source)
                words = f"{maker.label}; {source.label if source else maker.source}"
                yield _concept(maker.id, maker.label, words)
        case "reason":
            for reason in catalogue.reasons.values():
                prop = [{"code": "data-absent-reason", "valueCode": reason.absent}]
                words = f"Not examined: {reason.label}"
                yield {**_concept(reason.id, reason.label, words), "property": prop}
        case _:
            entries: Mapping[str, Term] = getattr(catalogue, _PLURAL.get(system, f"{system}s"))
            for term in entries.values():
                yield _concept(term.id, term.label, f"{catalogue.systems[system].label}: {term.label}")


def _concept(code: str, display: str, words: str) -> Json:
    return {"code": code, "display": display, "definition": words}


def _items(catalogue: Catalogue) -> Iterator[Json]:
    for item in catalogue.items.values():
        words = f"{item.label}. {item.how}".strip() if item.how else item.label
        region = catalogue.region_of[item.id]
        prop = [{"code": "region", "valueCode": region}, {"code": "type", "valueCode": item.type.value}]
        yield {**_concept(item.id, item.label, words), "property": [*prop, *_inactive(item)]}


def _inactive(one: MayRetire) -> list[Json]:
    """What is retired says so (R4 concept-properties, ``inactive``); it stays, since what was sent holds it."""
    return [] if one.on else [{"code": "inactive", "valueBoolean": True}]


def _answers(catalogue: Catalogue) -> Iterator[Json]:
    for item in catalogue.items.values():
        for answer in item.answers:
            prop = [
                {"code": "meaning", "valueCode": answer.meaning.value},
                {"code": "urgency", "valueCode": answer.urgency.value},
            ]
            words = f"{item.label}: {answer.label}"
            prop += _inactive(answer)
            yield {**_concept(f"{item.id}.{answer.id}", answer.label, words), "property": prop}
        for sign in item.signs:
            for choice in sign.answers:
                points = [{"url": ORDINAL, "valueDecimal": choice.points}]
                code = f"{item.id}.{sign.id}.{choice.id}"
                words = f"{item.label}, {sign.label}: {choice.label}"
                yield {"extension": points, **_concept(code, choice.label, words)}
