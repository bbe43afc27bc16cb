"""A score whose signs are members: an Observation a sign, led to by ``hasMember`` (FHIR R4 Observation, 10.1.5.3).

A site chooses it (``scores: members``) where the receiver reads no components. Members and components never stand
together: what else stood in components (who marked it, the infant's state) is then in extensions.
"""

from __future__ import annotations

from adapter.catalogue import Item, ItemType
from adapter.fhir.identity import Name
from adapter.fhir.json import Json
from adapter.fhir.observation import ExamMapping

_SHARED = ("status", "category", "subject", "encounter", "effectiveDateTime", "performer")


def with_members(name: Name, score: Json, item: Item, mapping: ExamMapping) -> tuple[Json, list[tuple[Name, Json]]]:
    """The score without components, and its signs as Observations; as it was where it has no signs."""
    if item.type is not ItemType.SCORE or "component" not in score:
        return score, []
    system = mapping.catalogue.uri("component")
    signs: list[tuple[Name, Json]] = []
    details = []
    for component in score["component"]:
        own = next((c["code"] for c in component["code"]["coding"] if c["system"] == system), None)
        if own is None:
            details.append(mapping.parts.as_extension(component))
            continue
        sign = mapping.identity.sign(name, own.removeprefix(f"{item.id}."))
        head: Json = {"resourceType": "Observation", "identifier": [sign.identifier]}
        shared = {key: score[key] for key in _SHARED if key in score}
        order = ("status", "category", "code", "subject", "encounter", "effectiveDateTime", "performer")
        content = {**shared, "code": component["code"]}
        value = {key: held for key, held in component.items() if key != "code"}
        signs.append((sign, {**head, **{key: content[key] for key in order if key in content}, **value}))
    kept = {key: value for key, value in score.items() if key not in ("component", "extension", "resourceType")}
    extensions = [*score.get("extension", ()), *details]
    whole: Json = {"resourceType": "Observation", **({"extension": extensions} if extensions else {}), **kept}
    derived = whole.pop("derivedFrom", None)
    if signs:
        whole["hasMember"] = [mapping.refer(sign) for sign, _ in signs]
    if derived is not None:
        whole["derivedFrom"] = derived
    return whole, signs
