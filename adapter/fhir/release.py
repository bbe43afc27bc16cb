"""Finished resources in another release of FHIR: R4 is what is made, R4B and R5 are made of it.

R4B (4.3.0): all that we make is valid as it stands. R5 (5.0.0): the types below differ, all others that we make
are valid as they stand. Both are judged by the models of fhir.resources.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from adapter.fhir.json import Json

Release = Literal["R4", "R4B", "R5"]

_ATTESTED = "http://hl7.org/fhir/composition-attestation-mode"
_ENCOUNTER = {"finished": "completed"}
_INTENT = "proposal"
"""R5 wants an intent (request-intent): a suggestion by what has no authority to act, as this software has none."""


def to_release(resource: Json, release: Release) -> Json:
    """A resource, or a Bundle with all in it, as the release has it."""
    return _each(resource, _TO_R5) if release == "R5" else resource


def to_r4(resource: Json) -> Json:
    """The way back of what :func:`to_release` gives; what is R4 stays as it is."""
    return _each(resource, _TO_R4)


def is_of_r5(resource: Json) -> bool:
    """Whether a resource, or one in a Bundle, has an element as R5 has it and R4 has not, of those made here."""
    try:
        return to_r4(resource) != resource
    except (AttributeError, KeyError, TypeError, ValueError):
        return False  # whatever it is, it is not what is made here


Change = Callable[[Json], None]


def _each(resource: Json, changes: dict[str, Change]) -> Json:
    kind = resource.get("resourceType")
    if kind == "Bundle":
        entries = resource.get("entry")
        if not isinstance(entries, list):
            return resource
        return {**resource, "entry": [_entry(entry, changes) for entry in entries]}
    change = changes.get(kind) if isinstance(kind, str) else None
    inner = resource.get("contained")
    if change is None and not inner:
        return resource
    made = dict(resource)
    if isinstance(inner, list):
        made["contained"] = [_each(one, changes) if isinstance(one, dict) else one for one in inner]
    if change is not None:
        change(made)
    return made


def _entry(entry: Json, changes: dict[str, Change]) -> Json:
    within = entry.get("resource") if isinstance(entry, dict) else None
    return {**entry, "resource": _each(within, changes)} if isinstance(within, dict) else entry


def _renamed(resource: Json, old: str, new: str, value: Callable[[Json], object] | None = None) -> None:
    """Another name for an element, in its place; of a list each entry is changed."""
    if old not in resource:
        return
    given = resource[old]
    made = given
    if value and isinstance(given, list):
        made = [value(one) if isinstance(one, dict) else one for one in given]
    elif value and isinstance(given, dict):
        made = value(given)
    items = [(new, made) if key == old else (key, held) for key, held in resource.items()]
    resource.clear()
    resource.update(items)


def _referring(reference: Json) -> Json:
    return {"reference": reference}


def _request_to_r5(resource: Json) -> None:
    _renamed(resource, "payload", "payload", _words_to_r5)
    reasons = [{"concept": one} for one in resource.pop("reasonCode", ())]
    reasons += [_referring(one) for one in resource.pop("reasonReference", ())]
    if reasons:
        resource["reason"] = reasons
    if resource["resourceType"] == "CommunicationRequest":
        resource["intent"] = _INTENT


def _request_to_r4(resource: Json) -> None:
    _renamed(resource, "payload", "payload", _words_to_r4)
    reasons = resource.pop("reason", None)
    if isinstance(reasons, list):
        for name, part in (("reasonCode", "concept"), ("reasonReference", "reference")):
            if found := [one[part] for one in reasons if isinstance(one, dict) and part in one]:
                resource[name] = found
    if resource["resourceType"] == "CommunicationRequest":
        resource.pop("intent", None)


def _words_to_r5(payload: Json) -> Json:
    words = payload.get("contentString")
    return payload if words is None else {"contentCodeableConcept": {"text": words}}


def _words_to_r4(payload: Json) -> Json:
    concept = payload.get("contentCodeableConcept")
    return {"contentString": concept.get("text", "")} if isinstance(concept, dict) else payload


def _encounter_to_r5(resource: Json) -> None:
    _renamed(resource, "class", "class", lambda coding: [{"coding": [coding]}])
    _renamed(resource, "period", "actualPeriod")
    for one in resource.get("participant", ()):
        _renamed(one, "individual", "actor")
    resource["status"] = _ENCOUNTER.get(resource["status"], resource["status"])


def _encounter_to_r4(resource: Json) -> None:
    held = resource.get("class")
    if isinstance(held, list):
        codings = held[0].get("coding") if held and isinstance(held[0], dict) else None
        resource["class"] = codings[0] if isinstance(codings, list) and codings else {}
    _renamed(resource, "actualPeriod", "period")
    for one in resource.get("participant") or ():
        if isinstance(one, dict):
            _renamed(one, "actor", "individual")
    back = {new: old for old, new in _ENCOUNTER.items()}
    if isinstance(resource.get("status"), str):
        resource["status"] = back.get(resource["status"], resource["status"])


def _device_to_r5(resource: Json) -> None:
    _renamed(resource, "deviceName", "name", lambda one: {"value": one["name"], "type": one["type"]})


def _device_to_r4(resource: Json) -> None:
    if isinstance(resource.get("name"), list):
        _renamed(resource, "name", "deviceName", lambda one: {"name": one.get("value"), "type": one.get("type")})


def _composition_to_r5(resource: Json) -> None:
    for name in ("identifier", "subject"):
        _renamed(resource, name, name, lambda one: [one])
    _renamed(
        resource,
        "attester",
        "attester",
        lambda one: {**one, "mode": {"coding": [{"system": _ATTESTED, "code": one["mode"]}]}},
    )
    _renamed(resource, "event", "event", lambda one: {**one, "detail": [_referring(r) for r in one["detail"]]})
    _renamed(
        resource,
        "relatesTo",
        "relatesTo",
        lambda one: {"type": one["code"], "resourceReference": {"identifier": one["targetIdentifier"]}},
    )


def _composition_to_r4(resource: Json) -> None:
    """As far as an exam is read from it: the rest of a document is made anew."""
    for name in ("identifier", "subject"):
        if isinstance(resource.get(name), list) and resource[name]:
            resource[name] = resource[name][0]


def _provenance_to_r5(resource: Json) -> None:
    """The reason of R4 is the authorization of R5, under its new name."""
    _renamed(resource, "reason", "authorization", lambda concept: {"concept": concept})


def _provenance_to_r4(resource: Json) -> None:
    _renamed(resource, "authorization", "reason", lambda one: one.get("concept", one))


def _report_to_r5(resource: Json) -> None:
    """Attachment.size is integer64, which is a string in JSON (R5 json.html, primitive types)."""
    _renamed(resource, "presentedForm", "presentedForm", lambda one: {**one, "size": str(one["size"])})


def _report_to_r4(resource: Json) -> None:
    def sized(one: Json) -> Json:
        size = one.get("size")
        return {**one, "size": int(size)} if isinstance(size, str) and size.isascii() and size.isdigit() else one

    _renamed(resource, "presentedForm", "presentedForm", sized)


_TO_R5: dict[str, Change] = {
    "DiagnosticReport": _report_to_r5,
    "CommunicationRequest": _request_to_r5,
    "Communication": _request_to_r5,
    "Encounter": _encounter_to_r5,
    "Device": _device_to_r5,
    "Composition": _composition_to_r5,
    "Provenance": _provenance_to_r5,
}
_TO_R4: dict[str, Change] = {
    "DiagnosticReport": _report_to_r4,
    "CommunicationRequest": _request_to_r4,
    "Communication": _request_to_r4,
    "Encounter": _encounter_to_r4,
    "Device": _device_to_r4,
    "Composition": _composition_to_r4,
    "Provenance": _provenance_to_r4,
}
