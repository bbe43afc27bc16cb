"""Who stands for a definition, and whose codes it holds: contact, jurisdiction, the notices that licences ask for."""

from __future__ import annotations

from typing import Any

from adapter.catalogue import Catalogue
from adapter.fhir.definitions import definition
from adapter.fhir.json import Json
from adapter.write.package.names import publisher

_COUNTRIES = "urn:iso:std:iso:3166"
_SUBDIVISIONS = "urn:iso:std:iso:3166:-2"


def published(resource: Json, catalogue: Catalogue) -> Json:
    """A definition with what the site says of its publication (FHIR R4 MetadataResource), in R4's order."""
    said = catalogue.settings.publication
    added: Json = {"publisher": publisher(catalogue)}
    if said.contact is not None:
        system = "url" if said.contact.startswith("http") else "email"
        added["contact"] = [{"telecom": [{"system": system, "value": said.contact}]}]
    if said.jurisdiction is not None:
        system = _SUBDIVISIONS if "-" in said.jurisdiction else _COUNTRIES
        added["jurisdiction"] = [{"coding": [{"system": system, "code": said.jurisdiction}]}]
    if notices := _notices(resource, catalogue):
        added["copyright"] = "\n\n".join(filter(None, (said.copyright, *notices)))
    elif said.copyright is not None:
        added["copyright"] = said.copyright
    properties = list(definition(resource["resourceType"]).properties)
    whole = {**resource, **{name: value for name, value in added.items() if name in properties}}
    return {name: whole[name] for name in sorted(whole, key=lambda name: _place(name, properties))}


def _place(name: str, properties: list[str]) -> int:
    plain = name.removeprefix("_")
    return properties.index(plain) if plain in properties else -1


def _notices(resource: Json, catalogue: Catalogue) -> list[str]:
    """What the terms of every published code system ask for, of whose codes the definition holds any."""
    named = set(_texts(resource))
    systems = (system for system in catalogue.systems.values() if system.notice and system.uri in named)
    return list(dict.fromkeys(system.notice for system in systems))


def _texts(node: Any) -> Any:
    if isinstance(node, dict):
        for value in node.values():
            yield from _texts(value)
    elif isinstance(node, list):
        for value in node:
            yield from _texts(value)
    elif isinstance(node, str):
        yield node
