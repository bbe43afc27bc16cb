"""The profiles that a site's resources claim in ``meta.profile`` (FHIR R4 Resource, section 2.26).

An item's own profile is claimed where the Observation is made. Here are added the profiles that a site names
(``profiles.yaml``), each only where the resource has what the profile needs, and, where the site says so, the
adapter's own, which ``newborn-adapter package`` defines.
"""

from __future__ import annotations

from adapter.catalogue import Catalogue, ItemType
from adapter.fhir.json import Json

OWN_PROFILES = {
    "CommunicationRequest": "exam-tell",
    "Composition": "exam-composition",
    "Device": "exam-software",
    "DiagnosticReport": "exam-report",
    "Encounter": "exam-encounter",
    "Organization": "exam-organisation",
    "Patient": "exam-newborn",
    "Practitioner": "exam-examiner",
    "Provenance": "exam-provenance",
    "RelatedPerson": "exam-mother",
}
"""Our profile of each resource type but Observation."""

FINDING = "exam-finding"
PANEL = "exam-panel"
SIGN = "exam-sign"
NOT_EXAMINED = "exam-not-examined"
OF_TYPE = {
    ItemType.QUANTITY: "exam-measure",
    ItemType.QUANTITIES: "exam-measures",
    ItemType.SCORE: "exam-score",
}
"""Our profile of a finding by the type of its item; any other is an ``exam-answer``."""
ANSWER = "exam-answer"


def has_claims(catalogue: Catalogue) -> bool:
    """Whether any resource may claim more than its item's own profile."""
    return catalogue.settings.own_profiles or bool(catalogue.profiles)


def with_claims(resource: Json, catalogue: Catalogue) -> Json:
    """The resource, with the profiles that it claims beside those it has; itself where there is nothing to claim."""
    if not has_claims(catalogue):
        return resource
    item = _item(resource, catalogue)
    claimed = list(resource.get("meta", {}).get("profile", ()))
    for claim in catalogue.profiles.values():
        if not claim.on or claim.resource != resource["resourceType"]:
            continue
        chosen = not (claim.items or claim.regions) or (
            item is not None and (item in claim.items or catalogue.region_of[item] in claim.regions)
        )
        if chosen and all(name in resource for name in claim.needs) and not any(n in resource for n in claim.without):
            claimed.append(claim.url)
    if catalogue.settings.own_profiles and (own := own_profile(resource, catalogue)):
        claimed.append(f"{catalogue.settings.canonical}/StructureDefinition/{own}")
    if not claimed:
        return resource
    meta = {**resource.get("meta", {}), "profile": list(dict.fromkeys(claimed))}
    head: Json = {name: resource[name] for name in ("resourceType", "id") if name in resource}
    return {**head, "meta": meta, **{name: value for name, value in resource.items() if name not in (*head, "meta")}}


def own_profile(resource: Json, catalogue: Catalogue) -> str | None:
    """The name of our own profile that a resource of ours meets."""
    if resource["resourceType"] != "Observation":
        return OWN_PROFILES.get(resource["resourceType"])
    item = _item(resource, catalogue)
    if item is None:
        return PANEL if _own_code(resource, "region", catalogue) else SIGN
    if "dataAbsentReason" in resource:
        return NOT_EXAMINED
    return OF_TYPE.get(catalogue.items[item].type, ANSWER) if _is_value(resource) else ANSWER


def _is_value(resource: Json) -> bool:
    """Whether a measured or scored item was answered so, and not in free text."""
    return "valueString" not in resource and "valueCodeableConcept" not in resource


def _item(resource: Json, catalogue: Catalogue) -> str | None:
    return _own_code(resource, "item", catalogue) if resource["resourceType"] == "Observation" else None


def _own_code(resource: Json, system: str, catalogue: Catalogue) -> str | None:
    uri = catalogue.uri(system)
    return next((c["code"] for c in resource["code"]["coding"] if c["system"] == uri), None)
