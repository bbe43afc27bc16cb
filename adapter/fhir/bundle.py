"""From an Exam to its resources, and from the resources to a Bundle (FHIR R4 Bundle, section 2.36)."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from adapter.catalogue import Catalogue
from adapter.catalogue.settings import Persons
from adapter.derive.view import ExamView
from adapter.exam import Exam
from adapter.fhir import people
from adapter.fhir.beside import with_beside
from adapter.fhir.claims import has_claims, with_claims
from adapter.fhir.communication import communications, told_people
from adapter.fhir.communication_request import communication_requests
from adapter.fhir.earlier import EarlierExams
from adapter.fhir.identity import Identity, Name, Refer, by_full_url, by_id, by_identifier, in_url
from adapter.fhir.json import Json, dumps
from adapter.fhir.members import with_members
from adapter.fhir.observation import ExamMapping, instant, observation
from adapter.fhir.observation_templates import ExamReferences, TemplatedEntry
from adapter.fhir.parts import Parts, parts
from adapter.fhir.persons import MADE, presence, referring
from adapter.fhir.report import diagnostic_report, panel, provenance, with_contained


class BundleType(StrEnum):
    """The kinds of bundle made here; ``document`` and ``message`` are outward formats of their own."""

    __hash__ = str.__hash__  # looked up by it; that of Enum is Python

    TRANSACTION = "transaction"
    COLLECTION = "collection"
    BATCH = "batch"


class Resource(NamedTuple):
    """A resource, its name, and whether the adapter owns it (updates it) or only needs it to exist."""

    name: Name
    content: Json
    owned: bool


def to_resources(
    exam: Exam,
    catalogue: Catalogue,
    refer: Refer = by_id,
    *,
    earlier: Sequence[Exam] = (),
    presented: Sequence[Json] = (),
) -> list[Resource]:
    """Everything an exam becomes, people first; deterministic. With ``earlier`` exams of the newborn it is
    judged as the last of them. ``presented`` are Attachments for its DiagnosticReport.

    Expects an exam that the checks found no error in (:func:`adapter.read.check_exam`).
    """
    view = ExamView(exam, catalogue, earlier)
    made = _resources(view, refer, parts(catalogue), presented=presented)
    return [one for one in made if isinstance(one, Resource)]


def _resources(
    view: ExamView,
    refer: Refer,
    static: Parts,
    kind: BundleType = BundleType.COLLECTION,
    presented: Sequence[Json] = (),
) -> list[Resource | TemplatedEntry]:
    """As :func:`to_resources`; from parts for writing only, an Observation with a template is an entry."""
    exam, catalogue = view.exam, view.catalogue
    mapping = _mapping(view, refer, static, kind)
    identity, emit = mapping.identity, catalogue.settings.emit
    observations, links = _observations(mapping)
    targets = links
    if catalogue.settings.scores == "members":
        observations = _with_members(observations, mapping)
        targets = [refer(resource.name) for resource in observations]
    panels, alone = _panels(links, mapping) if emit.panels else ([], links)
    to_panels = [refer(p.name) for p in panels]
    report = diagnostic_report([*to_panels, *alone], mapping, presented)
    requests = [
        Resource(name, content, True) for name, content in communication_requests(links, mapping) if emit.tell
    ]
    requests += [Resource(name, content, True) for name, content in communications(links, mapping)]
    targets = [refer(identity.report()), *to_panels, *targets, *(refer(r.name) for r in requests)]
    provenance_name = identity.provenance(exam.details.id)
    history = provenance(targets, mapping)
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


def observations_by_region(view: ExamView, refer: Refer = by_id) -> dict[str, list[Json]]:
    """The Observation of every finding by region, in the order captured and the computed ones after; whatever a site
    wants of its resources besides."""
    catalogue = view.catalogue
    mapping = _mapping(view, refer, parts(catalogue), BundleType.COLLECTION)
    found: dict[str, list[Json]] = {}
    for one, made in zip(mapping.view.findings, _observations(mapping)[0], strict=True):
        if isinstance(made, Resource):
            found.setdefault(one.region, []).append(made.content)
    return {region: found[region] for region in catalogue.regions if region in found}


def _mapping(view: ExamView, refer: Refer, static: Parts, kind: BundleType) -> ExamMapping:
    exam, catalogue = view.exam, view.catalogue
    identity = Identity(exam, catalogue)
    references = ExamReferences(
        subject=refer(identity.patient()),
        encounter=people.encounter_reference(exam, identity, refer, catalogue),
        performer=[people.examiner_reference(e, identity, refer) for e in exam.details.examiners],
        started=instant(exam.details.started),
        kind=kind,
        entry=lambda name, content: _entry(Resource(name, content, True), kind),
    )
    before = EarlierExams([one.exam for one in view.before], catalogue)
    return ExamMapping(view, static, identity, refer, references.ready(), before)


def _with_members(
    observations: Sequence[Resource | TemplatedEntry], mapping: ExamMapping
) -> list[Resource | TemplatedEntry]:
    """The Observations, the signs of a score after it as its members."""
    found: list[Resource | TemplatedEntry] = []
    for resource, one in zip(observations, mapping.view.findings, strict=True):
        if isinstance(resource, TemplatedEntry):
            found.append(resource)
            continue
        whole, signs = with_members(resource.name, resource.content, one.item, mapping)
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
    for one in (*exam.details.examiners, *told_people(exam)):
        person = people.practitioner(one, catalogue)
        if person is not None and one.identifier is not None:
            name = identity.practitioner(one.identifier)
            if all(name != other.name for other in found):
                found.append(Resource(name, person, False))
    emit = catalogue.settings.emit
    if exam.details.encounter is None or emit.ward_encounter:
        encounter = people.encounter(exam, identity, refer, catalogue)
        found.append(Resource(identity.encounter(exam.details.encounter), encounter, False))
    if emit.device:
        found.append(Resource(identity.device(), people.device(identity, catalogue), False))
    return found


def _observations(mapping: ExamMapping) -> tuple[list[Resource | TemplatedEntry], list[Json]]:
    """Observations in the order captured, the computed ones after; and the references to them."""
    resources: list[Resource | TemplatedEntry] = []
    links: list[Json] = []
    identity, refer = mapping.identity, mapping.refer
    for one in mapping.view.findings:
        if one.computed is None:
            name, rests_on = identity.observation(one.finding), None
        else:
            name = identity.computed(one.computed)
            rests_on = [links[index] for index in one.rests_on]
            rests_on += [mapping.earlier.observation(known) for known in one.computed.earlier]
        links.append(refer(name))
        content = observation(one, name, mapping, rests_on)
        wanted = mapping.parts.beside.get(one.finding.__dict__["item"])
        if wanted and type(content) is not TemplatedEntry:
            content = with_beside(content, one, wanted, mapping)
        resources.append(content if type(content) is TemplatedEntry else Resource(name, content, True))
    return resources, links


def _panels(links: Sequence[Json], mapping: ExamMapping) -> tuple[list[Resource], list[Json]]:
    """A panel for each region that has findings, in the order of the regions; and what stands in none."""
    outside, region_of = mapping.parts.outside_panels, mapping.catalogue.region_of
    inside: dict[str, list[Json]] = {}
    others: dict[str, list[Json]] = {}
    for one, link in zip(mapping.view.findings, links, strict=True):
        item = one.finding.__dict__["item"]
        (others if item in outside else inside).setdefault(region_of[item], []).append(link)
    panels: list[Resource] = []
    alone: list[Json] = []
    for region in mapping.catalogue.regions:
        alone += others.get(region, ())
        if members := inside.get(region):
            name = mapping.identity.panel(region)
            panels.append(Resource(name, panel(region, name, members, mapping), True))
    return panels, alone


_REFER: dict[BundleType, Refer] = {
    BundleType.TRANSACTION: by_full_url,
    BundleType.COLLECTION: by_full_url,
    BundleType.BATCH: by_identifier,
}


def to_bundle(
    exam: Exam,
    catalogue: Catalogue,
    kind: BundleType = BundleType.TRANSACTION,
    *,
    written: bool = False,
    earlier: Sequence[Exam] = (),
    persons: Persons | None = None,
    presented: Sequence[Json] = (),
) -> Json:
    """An exam as one Bundle; the same exam and catalogue, and the same earlier exams, give the same bytes.

    A *transaction* creates what must exist (``ifNoneExist``) and updates by identifier what the adapter owns. A
    *batch* does the same without references between its entries (R4 section 3.1.0.11.2): they are logical. A
    *collection* holds the resources alone. ``written``: with its static parts as bytes,
    for :func:`adapter.fhir.json.dumps` alone. ``earlier``: exams among which those of the same newborn before this
    one are judged with it; what rests on them refers to it by identifier. ``persons``: who may be made by a
    transaction or batch, else as the site says; in a collection everybody stands. ``presented``: Attachments for the
    DiagnosticReport.
    """
    whole = kind is BundleType.COLLECTION
    may_be = MADE if whole else catalogue.settings.persons if persons is None else persons
    refer = referring(_REFER[kind], exam, catalogue, may_be, conditional=kind is BundleType.TRANSACTION)
    view = ExamView(exam, catalogue, earlier)
    resources = _resources(view, refer, parts(catalogue, written), kind, presented)
    if may_be != MADE:
        resources = [one for one in resources if _is_made(one.name, exam, may_be)]
    bundle: Json = {"resourceType": "Bundle"}
    if kind is BundleType.COLLECTION:
        bundle["id"] = Identity(exam, catalogue).report().uuid
    bundle["identifier"] = {"system": catalogue.identifier_system("bundle"), "value": exam.details.id}
    bundle["type"] = kind.value
    bundle["timestamp"] = instant(exam.details.ended or exam.details.started)
    bundle["entry"] = [one if type(one) is TemplatedEntry else _entry(one, kind) for one in resources]
    return bundle


def _is_made(name: Name, exam: Exam, persons: Persons) -> bool:
    return presence(name.resource_type, persons, exam.details.encounter is not None) == "made"


def to_json(
    exam: Exam,
    catalogue: Catalogue,
    kind: BundleType = BundleType.TRANSACTION,
    *,
    earlier: Sequence[Exam] = (),
    presented: Sequence[Json] = (),
) -> bytes:
    """The bytes of :func:`to_bundle`, written several times as fast."""
    bundle = to_bundle(exam, catalogue, kind, written=True, earlier=earlier, presented=presented)
    pieces: list[bytes] = []
    for one in bundle.pop("entry"):
        pieces.append(b",")
        if type(one) is TemplatedEntry:
            pieces += one.pieces()
        else:
            pieces.append(dumps(one))
    pieces[0] = dumps(bundle)[:-1] + b',"entry":['
    pieces.append(b"]}")
    return b"".join(pieces)  # the one copy of it all


def with_id(resource: Resource) -> Json:
    """The content with its id, as it stands alone."""
    content = resource.content
    return {"resourceType": content["resourceType"], "id": resource.name.uuid, **content}


def _entry(resource: Resource, kind: BundleType) -> Json:
    if kind is BundleType.COLLECTION:
        return {"fullUrl": resource.name.full_url, "resource": with_id(resource)}
    return _entry_with_request(resource, kind)


@lru_cache(maxsize=256)
def _identifier_in(system: str) -> str:
    """The beginning of a search by an identifier of a system."""
    return f"identifier={in_url(system)}%7C"


def _entry_with_request(resource: Resource, kind: BundleType) -> Json:
    name, content, owned = resource
    query = f"{_identifier_in(name.system)}{in_url(name.value)}"
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
