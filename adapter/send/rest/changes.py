"""An exam's bundle fitted to what a server holds and can do.

Pure functions from entries to entries: what stands there as meant is left alone; what is there and changes
is updated under the server's id with If-Match (R4 http.html 3.1.0.5); what the exam no longer holds is marked
``entered-in-error``, never deleted; what a server cannot do by criteria is done by id or as a create.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from adapter.fhir.json import Json
from adapter.send.failures import problem
from adapter.send.rest import answers
from adapter.send.rest.answers import EntryOutcome, ServerRefused
from adapter.send.rest.capability import Capability
from adapter.send.rest.lookup import Holding, is_retracted, place_of


@dataclass(frozen=True, slots=True)
class Adjusted:
    """``entries`` to send; ``places`` of full URLs that need no sending any more; ``settled`` their outcomes;
    ``updates`` the full URLs of entries that change what is there."""

    entries: list[Json]
    places: dict[str, str]
    settled: list[EntryOutcome]
    updates: frozenset[str]


def adjusted(holding: Holding, capability: Capability, base_url: str) -> Adjusted:
    """What is left to do on the server at ``base_url``.

    Raises :class:`ServerRefused` 412 where it holds two under one name: that is for a person.
    """
    places, settled, entries, updates = {}, [], [], set()
    marked = [_entered_in_error(r, capability, base_url) for r in holding.extra if not is_retracted(r)]
    for number, entry in enumerate(holding.entries):
        found = holding.found[number]
        if len(found) > 1:
            kind = entry["resource"]["resourceType"]
            what = f"the server holds {len(found)} {kind} resources of one identifier; a person must mend that"
            raise ServerRefused(412, [problem("multiple-matches", what)])
        entry = {**entry, "resource": holding.meant(number)}
        if found and (entry["fullUrl"] in holding.shared or not holding.is_outdated(number)):
            places[entry["fullUrl"]] = place_of(found[0])
            settled.append(_as_found(entry["fullUrl"], found[0]))
        else:
            entries.append(_entry(entry, found[0] if found else None, capability))
            updates |= {entry["fullUrl"]} if found else set()
    updates |= {entry["fullUrl"] for entry in marked}
    return Adjusted([*marked, *entries], places, settled, frozenset(updates))


def in_order(entries: list[Json]) -> list[list[Json]]:
    """The entries in steps: what an entry refers to comes in an earlier step (none refer in a circle)."""
    waiting = {entry["fullUrl"]: entry for entry in entries}
    steps = []
    while waiting:
        step = [e for e in waiting.values() if not (_referred(e["resource"]) & waiting.keys()) - {e["fullUrl"]}]
        if not step:
            raise ValueError("entries refer to each other in a circle")
        steps.append(step)
        for entry in step:
            del waiting[entry["fullUrl"]]
    return steps


def _referred(node: Any) -> set[str]:
    if isinstance(node, list):
        return {reference for element in node for reference in _referred(element)}
    if isinstance(node, dict):
        own = {node["reference"]} if isinstance(node.get("reference"), str) else set()
        return own.union(*(_referred(value) for value in node.values()))
    return set()


def _entry(entry: Json, found: Json | None, capability: Capability) -> Json:
    """The entry's request as this server can take it."""
    kind, request = entry["resource"]["resourceType"], entry["request"]
    if found is not None:
        request = {"method": "PUT", "url": place_of(found), **_if_match(found, capability)}
        resource = {"resourceType": kind, **entry["resource"], "id": found["id"]}
        return {**entry, "resource": resource, "request": request}
    return as_new(entry, capability)


def as_new(entry: Json, capability: Capability) -> Json:
    """The entry's request to make what is not there, as this server can take it."""
    kind, request = entry["resource"]["resourceType"], entry["request"]
    able = capability.conditional_create if "ifNoneExist" in request else capability.update_create
    if kind in able:
        return entry
    resource = {key: value for key, value in entry["resource"].items() if key != "id"}
    return {**entry, "resource": resource, "request": {"method": "POST", "url": kind}}


def _entered_in_error(resource: Json, capability: Capability, base_url: str) -> Json:
    """What the exam no longer holds stays as it is, but for its status."""
    meta = {k: v for k, v in resource.get("meta", {}).items() if k not in ("versionId", "lastUpdated")}
    content = {key: value for key, value in resource.items() if key != "meta"} | {"status": "entered-in-error"}
    if meta:
        content["meta"] = meta
    request = {"method": "PUT", "url": place_of(resource), **_if_match(resource, capability)}
    return {"fullUrl": f"{base_url}/{place_of(resource)}", "resource": content, "request": request}


def _if_match(found: Json, capability: Capability) -> dict[str, str]:
    version = answers.text(answers.object_(found.get("meta")), "versionId")
    return {"ifMatch": f'W/"{version}"'} if version and found["resourceType"] in capability.versioned else {}


def _as_found(full_url: str, found: Json) -> EntryOutcome:
    version = answers.text(answers.object_(found.get("meta")), "versionId")
    place = place_of(found)
    return EntryOutcome(full_url, 200, f"{place}/_history/{version}" if version else place, version=version)
