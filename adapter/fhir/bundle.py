"""From an Exam to its resources, and from the resources to a Bundle (FHIR R4 Bundle, section 2.36)."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import NamedTuple, cast

from adapter.catalogue import Catalogue
from adapter.derive import Evidence, completeness, judged_findings, tell_list
from adapter.exam import Exam
from adapter.fhir import people
from adapter.fhir.alike import Made, Own
from adapter.fhir.claims import has_claims, with_claims
from adapter.fhir.identity import Identity, Name, Refer, by_full_url, by_id, by_identifier, in_url
from adapter.fhir.json import dumps
from adapter.fhir.members import with_members
from adapter.fhir.observation import Around, instant, observation
from adapter.fhir.report import diagnostic_report, panel, provenance, with_contained
from adapter.fhir.tells import communication_requests
from adapter.fhir.templates import Json, Templates, templates


class BundleType(StrEnum):
    """The kinds of bundle made here; ``document`` and ``message`` are outward formats of their own."""

    TRANSACTION = "transaction"
    COLLECTION = "collection"
    BATCH = "batch"


class Resource(NamedTuple):
    """A resource, its name, and whether the adapter owns it (updates it) or only needs it to exist."""

    name: Name
    content: Json
    owned: bool


def to_resources(exam: Exam, catalogue: Catalogue, refer: Refer = by_id) -> list[Resource]:
    """Everything an exam becomes, people first; deterministic.

    Expects an exam that the checks found no error in (:func:`adapter.read.check_exam`).
    """
    return [one for one in _resources(exam, catalogue, refer, templates(catalogue)) if isinstance(one, Resource)]


def _resources(
    exam: Exam, catalogue: Catalogue, refer: Refer, parts: Templates, kind: BundleType = BundleType.COLLECTION
) -> list[Resource | Made]:
    """As :func:`to_resources`; from parts that are for writing only, an Observation like others is made an entry."""
    identity = Identity(exam, catalogue)
    details, around = exam.details, _around(exam, identity, refer, catalogue, parts, kind)
    computed, pool = judged_findings(exam, catalogue)
    emit = catalogue.settings.emit
    observations, links = _observations(pool, identity, around, refer)
    targets = links
    if catalogue.settings.scores == "members":
        observations = _with_members(observations, pool, identity, around, refer)
        targets = [refer(resource.name) for resource in observations]
    panels = _panels(pool, links, identity, around) if emit.panels else []
    to_panels = [refer(p.name) for p in panels]
    gaps = completeness(exam, catalogue)
    tells = tell_list(exam, computed, catalogue, pool, gaps)
    results = to_panels if emit.panels else links
    report = diagnostic_report(identity, results, around, tells, len(gaps))
    requests = [
        Resource(name, content, True)
        for name, content in communication_requests(tells, links, identity, around, refer)
        if emit.tell
    ]
    targets = [refer(identity.report()), *to_panels, *targets, *(refer(r.name) for r in requests)]
    provenance_name = identity.provenance(details.id)
    history = provenance(provenance_name, targets, identity, refer, around)
    separate = emit.provenance == "separate"
    made = [
        *_people(exam, identity, refer, catalogue),
        *observations,
        *panels,
        Resource(identity.report(), report if separate else with_contained(report, history), True),
        *requests,
        *([Resource(provenance_name, history, True)] if separate else []),
    ]
    if not has_claims(catalogue):
        return made
    return [
        Resource(one.name, with_claims(one.content, catalogue), one.owned) if isinstance(one, Resource) else one
        for one in made
    ]


def observations_by_region(exam: Exam, catalogue: Catalogue, refer: Refer = by_id) -> dict[str, list[Json]]:
    """The Observation of every finding by region, in the order captured and the computed ones after; whatever a site
    wants of its resources besides."""
    identity = Identity(exam, catalogue)
    _, pool = judged_findings(exam, catalogue)
    around = _around(exam, identity, refer, catalogue, templates(catalogue), BundleType.COLLECTION)
    found: dict[str, list[Json]] = {}
    for one, made in zip(pool, _observations(pool, identity, around, refer)[0], strict=True):
        if isinstance(made, Resource):
            found.setdefault(catalogue.region_of[one.item.id], []).append(made.content)
    return {region: found[region] for region in catalogue.regions if region in found}


def _around(
    exam: Exam, identity: Identity, refer: Refer, catalogue: Catalogue, parts: Templates, kind: BundleType
) -> Around:
    own = Own(
        subject=refer(identity.patient()),
        encounter=people.encounter_reference(exam, identity, refer, catalogue),
        performer=[people.examiner_reference(e, identity, refer) for e in exam.details.examiners],
        started=instant(exam.details.started),
        status=exam.details.status.value,
        kind=kind,
        entry=lambda name, content: _entry(Resource(name, content, True), kind),
    )
    return Around(exam=exam, catalogue=catalogue, parts=parts, own=own.ready())


def _with_members(
    observations: Sequence[Resource | Made],
    pool: Sequence[Evidence],
    identity: Identity,
    around: Around,
    refer: Refer,
) -> list[Resource | Made]:
    """The Observations, the signs of a score after it as its members."""
    found: list[Resource | Made] = []
    for resource, one in zip(observations, pool, strict=True):
        if isinstance(resource, Made):
            found.append(resource)
            continue
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
) -> tuple[list[Resource | Made], list[Json]]:
    """Observations in the order captured, the computed ones after; and the references to them."""
    resources: list[Resource | Made] = []
    links: list[Json] = []
    for one in pool:
        if one.computed is None:
            name, rests_on = identity.observation(one.finding), None
        else:
            name = identity.computed(one.computed)
            rests_on = [links[index] for index in one.computed.derived_from]
        links.append(refer(name))
        content = observation(one, name, around, rests_on)
        resources.append(content if type(content) is Made else Resource(name, cast(Json, content), True))
    return resources, links


def _panels(pool: Sequence[Evidence], links: Sequence[Json], identity: Identity, around: Around) -> list[Resource]:
    """A panel for each region that has findings, in the order of the regions."""
    members: dict[str, list[Json]] = {}
    region_of = around.catalogue.region_of
    for one, link in zip(pool, links, strict=True):
        members.setdefault(region_of[one.finding.__dict__["item"]], []).append(link)
    names = {region: identity.panel(region) for region in around.catalogue.regions if region in members}
    return [Resource(name, panel(region, name, members[region], around), True) for region, name in names.items()]


_REFER: dict[BundleType, Refer] = {
    BundleType.TRANSACTION: by_full_url,
    BundleType.COLLECTION: by_full_url,
    BundleType.BATCH: by_identifier,
}


def to_bundle(
    exam: Exam, catalogue: Catalogue, kind: BundleType = BundleType.TRANSACTION, *, written: bool = False
) -> Json:
    """An exam as one Bundle; the same exam and catalogue give the same bytes.

    A *transaction* creates what must exist (``ifNoneExist``) and updates by identifier what the adapter owns. A
    *batch* does the same without references between its entries (R4 section 3.1.0.11.2): they are logical. A
    *collection* holds the resources alone. ``written``: with its static parts as bytes,
    for :func:`adapter.fhir.json.dumps` alone.
    """
    resources = _resources(exam, catalogue, _REFER[kind], templates(catalogue, written), kind)
    bundle: Json = {"resourceType": "Bundle"}
    if kind is BundleType.COLLECTION:
        bundle["id"] = Identity(exam, catalogue).report().uuid
    bundle["identifier"] = {"system": catalogue.identifier_system("bundle"), "value": exam.details.id}
    bundle["type"] = kind.value
    bundle["timestamp"] = instant(exam.details.ended or exam.details.started)
    bundle["entry"] = [one if type(one) is Made else _entry(cast(Resource, one), kind) for one in resources]
    return bundle


def to_json(exam: Exam, catalogue: Catalogue, kind: BundleType = BundleType.TRANSACTION) -> bytes:
    """The bytes of :func:`to_bundle`, written several times as fast."""
    bundle = to_bundle(exam, catalogue, kind, written=True)
    entries = [one.written() if type(one) is Made else dumps(one) for one in bundle.pop("entry")]
    entries[0] = b'%b,"entry":[%b' % (dumps(bundle)[:-1], entries[0])
    entries[-1] += b"]}"
    return b",".join(entries)  # the one copy of it all


def with_id(resource: Resource) -> Json:
    """The content with its id, as it stands alone."""
    content = resource.content
    return {"resourceType": content["resourceType"], "id": resource.name.uuid, **content}


def _entry(resource: Resource, kind: BundleType) -> Json:
    if kind is BundleType.COLLECTION:
        return {"fullUrl": resource.name.full_url, "resource": with_id(resource)}
    return _entry_with_request(resource, kind)


def _entry_with_request(resource: Resource, kind: BundleType) -> Json:
    name, content, owned = resource
    query = f"identifier={in_url(name.system)}%7C{in_url(name.value)}"
    if not owned:
        request = {"method": "POST", "url": name.resource_type, "ifNoneExist": query}
    elif name.resource_type == "Provenance":
        # R4 gives Provenance no identifier to search by, so it is updated by its own id.
        content, request = with_id(resource), {"method": "PUT", "url": f"Provenance/{name.uuid}"}
    else:
        request = {"method": "PUT", "url": f"{name.resource_type}?{query}"}
    if kind is BundleType.BATCH:
        return {"resource": content, "request": request}
    return {"fullUrl": f"urn:uuid:{name.uuid}", "resource": content, "request": request}
