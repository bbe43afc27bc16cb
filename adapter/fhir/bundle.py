"""From an Exam to its resources, and from the resources to a Bundle (FHIR R4 Bundle, section 2.36)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from urllib.parse import quote

from adapter.catalogue import Catalogue
from adapter.derive import Evidence, completeness, judged_findings, tell_list
from adapter.exam import Exam
from adapter.fhir import people
from adapter.fhir.claims import with_claims
from adapter.fhir.identity import Identity, Name, Refer, by_full_url, by_id, by_identifier, escaped
from adapter.fhir.members import with_members
from adapter.fhir.observation import Around, instant, observation
from adapter.fhir.report import diagnostic_report, panel, provenance, with_contained
from adapter.fhir.tells import communication_requests
from adapter.fhir.templates import Json, templates


class BundleType(StrEnum):
    """The kinds of bundle made here; ``document`` and ``message`` are outward formats of their own."""

    TRANSACTION = "transaction"
    COLLECTION = "collection"
    BATCH = "batch"


@dataclass(frozen=True, slots=True)
class Resource:
    """A resource, its name, and whether the adapter owns it (updates it) or only needs it to exist."""

    name: Name
    content: Json
    owned: bool


def to_resources(exam: Exam, catalogue: Catalogue, refer: Refer = by_id) -> list[Resource]:
    """Everything an exam becomes, people first; deterministic.

    Expects an exam that the checks found no error in (:func:`adapter.capture.check_exam`).
    """
    identity = Identity(exam, catalogue)
    details = exam.details
    around = Around(
        exam=exam,
        parts=templates(catalogue),
        subject=refer(identity.patient()),
        encounter=people.encounter_reference(exam, identity, refer, catalogue),
        performers=[people.examiner_reference(e, identity, refer) for e in details.examiners],
    )
    computed, pool = judged_findings(exam, catalogue)
    emit = catalogue.settings.emit
    observations, regions = _observations(pool, identity, around, refer)
    names = [resource.name for resource in observations]
    if catalogue.settings.scores == "members":
        observations = _with_members(observations, pool, identity, around, refer)
    panels = []
    for region in (r for r in catalogue.regions if emit.panels and r in regions):
        name = identity.panel(region)
        panels.append(Resource(name, panel(region, name, [refer(n) for n in regions[region]], around), True))
    report_name = identity.report()
    gaps = completeness(exam, catalogue)
    tells = tell_list(exam, computed, catalogue, pool, gaps)
    results = [refer(p.name) for p in panels] if emit.panels else [refer(name) for name in names]
    report = diagnostic_report(identity, results, around, tells, len(gaps))
    requests = [
        Resource(name, content, True)
        for name, content in communication_requests(tells, names, identity, around, refer)
        if emit.tell
    ]
    targets = [refer(report_name), *(refer(r.name) for r in (*panels, *observations, *requests))]
    provenance_name = identity.provenance(details.id)
    history = provenance(provenance_name, targets, identity, refer, around)
    separate = emit.provenance == "separate"
    made = [
        *_people(exam, identity, refer, catalogue),
        *observations,
        *panels,
        Resource(report_name, report if separate else with_contained(report, history), True),
        *requests,
        *([Resource(provenance_name, history, True)] if separate else []),
    ]
    if not (catalogue.settings.own_profiles or catalogue.profiles):
        return made
    return [Resource(r.name, with_claims(r.content, catalogue), r.owned) for r in made]


def _with_members(
    observations: Sequence[Resource], pool: Sequence[Evidence], identity: Identity, around: Around, refer: Refer
) -> list[Resource]:
    """The Observations, the signs of a score after it as its members."""
    found = []
    for resource, one in zip(observations, pool, strict=True):
        whole, signs = with_members(resource.name, resource.content, one.item.id, identity, around, refer)
        found += [Resource(resource.name, whole, True), *(Resource(name, sign, True) for name, sign in signs)]
    return found


def _people(exam: Exam, identity: Identity, refer: Refer, catalogue: Catalogue) -> list[Resource]:
    organisation, found = catalogue.settings.organisation, []
    if organisation is not None:
        content = people.organisation(organisation, catalogue)
        found.append(Resource(identity.organisation(organisation.identifier), content, False))
    owner = people.organisation_reference(identity, refer, catalogue)
    found.append(Resource(identity.patient(), people.patient(exam.newborn, catalogue, owner), False))
    mother = people.mother(exam.newborn, identity, refer, catalogue)
    if mother is not None:
        found.append(Resource(identity.mother(), mother, False))
    for examiner in exam.details.examiners:
        person = people.practitioner(examiner, catalogue)
        if person is not None and examiner.identifier is not None:
            name = identity.practitioner(examiner.identifier)
            if all(name != other.name for other in found):
                found.append(Resource(name, person, False))
    emit = catalogue.settings.emit
    if exam.details.encounter is None or emit.ward_encounter:
        encounter = people.encounter(exam, identity, refer, catalogue)
        found.append(Resource(identity.encounter(exam.details.encounter), encounter, False))
    if emit.device:
        found.append(Resource(identity.device(), people.device(identity, catalogue), False))
    return found


def _observations(
    pool: Sequence[Evidence], identity: Identity, around: Around, refer: Refer
) -> tuple[list[Resource], dict[str, list[Name]]]:
    """Observations in the order captured, the computed ones after; and their names by region."""
    resources: list[Resource] = []
    regions: dict[str, list[Name]] = {}
    names: list[Name] = []
    for one in pool:
        name = identity.observation(one.finding) if one.computed is None else identity.computed(one.computed)
        rests_on = None if one.computed is None else [refer(names[index]) for index in one.computed.derived_from]
        names.append(name)
        resources.append(Resource(name, observation(one, name, around, rests_on), True))
        regions.setdefault(around.catalogue.region_of[one.item.id], []).append(name)
    return resources, regions


_REFER: dict[BundleType, Refer] = {
    BundleType.TRANSACTION: by_full_url,
    BundleType.COLLECTION: by_full_url,
    BundleType.BATCH: by_identifier,
}


def to_bundle(exam: Exam, catalogue: Catalogue, kind: BundleType = BundleType.TRANSACTION) -> Json:
    """An exam as one Bundle; the same exam and catalogue give the same bytes.

    A *transaction* creates what must exist (``ifNoneExist``) and updates by identifier what the adapter owns. A
    *batch* does the same without references between its entries (R4 section 3.1.0.11.2): they are logical. A
    *collection* holds the resources alone.
    """
    resources = to_resources(exam, catalogue, _REFER[kind])
    bundle: Json = {"resourceType": "Bundle"}
    if kind is BundleType.COLLECTION:
        bundle["id"] = Identity(exam, catalogue).report().uuid
    bundle["identifier"] = {"system": catalogue.identifier_system("bundle"), "value": exam.details.id}
    bundle["type"] = kind.value
    bundle["timestamp"] = instant(exam.details.ended or exam.details.started)
    make = _entry_of_collection if kind is BundleType.COLLECTION else _entry_with_request
    bundle["entry"] = [make(resource, kind) for resource in resources]
    return bundle


def with_id(resource: Resource) -> Json:
    """The content with its id, as it stands alone."""
    content = resource.content
    return {"resourceType": content["resourceType"], "id": resource.name.uuid, **content}


def _entry_of_collection(resource: Resource, kind: BundleType) -> Json:
    return {"fullUrl": resource.name.full_url, "resource": with_id(resource)}


@lru_cache(maxsize=1024)
def _token(text: str) -> str:
    """Part of a token parameter: FHIR's own escapes, then the URL's."""
    return quote(escaped(text), safe="")


def _entry_with_request(resource: Resource, kind: BundleType) -> Json:
    name = resource.name
    query = f"identifier={_token(name.system)}%7C{_token(name.value)}"
    content, request = resource.content, {"method": "PUT", "url": f"{name.resource_type}?{query}"}
    if not resource.owned:
        request = {"method": "POST", "url": name.resource_type, "ifNoneExist": query}
    elif name.resource_type == "Provenance":
        # R4 gives Provenance no identifier to search by, so it is updated by its own id.
        content, request = with_id(resource), {"method": "PUT", "url": f"Provenance/{name.uuid}"}
    entry: Json = {} if kind is BundleType.BATCH else {"fullUrl": name.full_url}
    return {**entry, "resource": content, "request": request}
