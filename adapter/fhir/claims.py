"""The profiles that a site's resources claim in ``meta.profile`` (FHIR R4 Resource, section 2.26).

An item's own profile is claimed where the Observation is made. Here are added the profiles that a site names
(``profiles.yaml``), each only where the resource has what the profile needs, and, where the site says so, the
adapter's own, which ``newborn-adapter package`` defines.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from adapter.catalogue import Catalogue, ItemType
from adapter.catalogue.code import Code
from adapter.catalogue.vocabulary import ProfileClaim
from adapter.fhir.definitions import definition, type_names
from adapter.fhir.json import Json
from adapter.problems import Layer, Problem, Severity

OWN_PROFILES = {
    "Communication": "exam-told",
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


def components_beside(catalogue: Catalogue) -> dict[str, dict[str, Code]]:
    """By the item whose Observations carry them: the codes of the components, by the item that they repeat."""
    found: dict[str, dict[str, Code]] = {}
    for claim in catalogue.profiles.values():
        for item in claim.items if claim.on else ():
            found.setdefault(item, {}).update(claim.components)
    return {item: wanted for item, wanted in found.items() if wanted}


def with_claims(resource: Json, catalogue: Catalogue) -> Json:
    """The resource, with the profiles that it claims beside those it has; itself where there is nothing to claim."""
    if not has_claims(catalogue):
        return resource
    item = _item(resource, catalogue)
    claimed = list(resource.get("meta", {}).get("profile", ()))
    for claim in catalogue.profiles.values():
        if not claim.on or claim.resource != resource["resourceType"]:
            continue
        if _fits(resource, item, claim, catalogue) and all(has(resource, path) for path in claim.demands):
            claimed.append(claim.url)
    if catalogue.settings.own_profiles and (own := own_profile(resource, catalogue)):
        claimed.append(f"{catalogue.settings.canonical}/StructureDefinition/{own}")
    if not claimed:
        return resource
    meta = {**resource.get("meta", {}), "profile": list(dict.fromkeys(claimed))}
    head: Json = {name: resource[name] for name in ("resourceType", "id") if name in resource}
    return {**head, "meta": meta, **{name: value for name, value in resource.items() if name not in (*head, "meta")}}


def _fits(resource: Json, item: str | None, claim: ProfileClaim, catalogue: Catalogue) -> bool:
    """Whether the resource is one that the profile is for."""
    chosen = not (claim.items or claim.regions) or (
        item is not None and (item in claim.items or catalogue.region_of[item] in claim.regions)
    )
    return (
        chosen
        and all(has(resource, path) for path in claim.needs)
        and not any(has(resource, path) for path in claim.without)
        and all(_values(resource, path) <= {*codes} for path, codes in claim.values.items())
    )


UNMET = "profile-unmet"
"""The rule of a mandatory fact of a profile that a record lacks."""


def unmet(resources: Iterable[Json], catalogue: Catalogue) -> Iterator[Problem]:
    """Mandatory facts of the site's profiles that resources lack: which, of which resource, and where it would go."""
    claims = [claim for claim in catalogue.profiles.values() if claim.on and claim.demands]
    for resource in resources:
        for claim in claims:
            if claim.resource != resource["resourceType"]:
                continue
            if not _fits(resource, _item(resource, catalogue), claim, catalogue):
                continue
            for path, origin in claim.demands.items():
                if not has(resource, path):
                    what = f"lacks {path}, which the profile {claim.url} demands; it is not claimed, and where a "
                    what += "receiver follows references, what leads to this resource is refused too"
                    where = f"{claim.resource}.{path}"
                    yield Problem(Severity.WARNING, Layer.PROFILES, UNMET, what, origin, where=where)


def _values(node: Any, path: str) -> set[str]:
    """The codes that stand at a path."""
    name, _, rest = path.partition(".")
    found = node.get(name, []) if isinstance(node, dict) else []
    parts = found if isinstance(found, list) else [found]
    return {value for part in parts for value in _values(part, rest)} if rest else {str(part) for part in parts}


def has(node: Any, path: str) -> bool:
    """Whether a resource has an element, each time where it repeats: ``name.family``, in the names of JSON."""
    name, _, rest = path.partition(".")
    if not isinstance(node, dict) or name not in node:
        return False
    parts = node[name] if isinstance(node[name], list) else [node[name]]
    return not rest or all(has(part, rest) for part in parts)


def lint_claims(catalogue: Catalogue) -> list[Problem]:
    """Elements that the profile claims of a site ask for and that their resource does not have."""
    found = []
    for claim in catalogue.profiles.values():
        for path in (*claim.needs, *claim.without, *claim.values, *claim.demands):
            wrong = _unknown_step(claim.resource, path)
            if wrong is not None:
                what = f"{claim.resource} has no element '{wrong}'"
                remedy = "names as in JSON, the parts of a path with points: name.family, valueQuantity"
                at, where = ("profiles", claim.id), f"profiles.{claim.id}"
                found.append(catalogue.fault(at, "profile-claim", what, remedy, where=where, says=path))
    return found


def _unknown_step(type_name: str, path: str) -> str | None:
    """The first part of a path that is no element of R4; None where all are, or where nobody knows the type."""
    if type_name not in type_names():
        return None
    done = ""
    for step in path.split("."):
        properties = definition(type_name).properties if type_name in type_names() else {}
        done = f"{done}.{step}" if done else step
        if step not in properties:
            return done
        type_name = properties[step].type
        if properties[step].is_primitive:
            return None if done == path else path
    return None


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
