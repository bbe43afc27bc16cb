"""From an Exam to its resources, and from the resources to a Bundle (FHIR R4 Bundle, section 2.36)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple
from urllib.parse import quote

from adapter.catalogue import Catalogue
from adapter.derive import Evidence, completeness, judged_findings, tell_list
from adapter.exam import Exam
from adapter.fhir import people
from adapter.fhir.identity import Identity, Name, Refer, by_full_url, by_id, by_identifier, escaped
from adapter.fhir.json import dumps
from adapter.fhir.observation import Around, instant, observation
from adapter.fhir.report import diagnostic_report, panel, provenance
from adapter.fhir.tells import communication_requests
from adapter.fhir.templates import Json, templates


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


def to_resources(exam: Exam, catalogue: Catalogue, refer: Refer = by_id, *, written: bool = False) -> list[Resource]:
    """Everything an exam becomes, people first; deterministic.

    Expects an exam that the checks found no error in (:func:`adapter.capture.check_exam`). ``written``: with its
    static parts as bytes, for what is only to be written (:func:`adapter.fhir.json.sealed`).
    """
    identity = Identity(exam, catalogue)
    details = exam.details
    around = Around(
        exam=exam,
        started=instant(details.started),
        parts=templates(catalogue, written),
        subject=refer(identity.patient()),
        encounter=refer(identity.encounter(details.encounter)),
        performers=[people.examiner_reference(e, identity, refer) for e in details.examiners],
    )
    computed, pool = judged_findings(exam, catalogue)
    observations, links = _observations(pool, identity, around, refer)
    panels = _panels(pool, links, identity, around)
    to_panels = [refer(p.name) for p in panels]
    gaps = completeness(exam, catalogue)
    tells = tell_list(exam, computed, catalogue, pool, gaps)
    report = Resource(identity.report(), diagnostic_report(identity, to_panels, around, tells, len(gaps)), True)
    requests = [
        Resource(name, content, True)
        for name, content in communication_requests(tells, links, identity, around, refer)
    ]
    targets = [refer(report.name), *to_panels, *links, *(refer(r.name) for r in requests)]
    provenance_name = identity.provenance(details.id)
    return [
        *_people(exam, identity, refer, catalogue),
        *observations,
        *panels,
        report,
        *requests,
        Resource(provenance_name, provenance(provenance_name, targets, identity, refer, around), True),
    ]


def _people(exam: Exam, identity: Identity, refer: Refer, catalogue: Catalogue) -> list[Resource]:
    found = [Resource(identity.patient(), people.patient(exam.newborn, catalogue), False)]
    mother = people.mother(exam.newborn, identity, refer, catalogue)
    if mother is not None:
        found.append(Resource(identity.mother(), mother, False))
    for examiner in exam.details.examiners:
        content = people.practitioner(examiner, catalogue)
        if content is not None and examiner.identifier is not None:
            name = identity.practitioner(examiner.identifier)
            if all(name != other.name for other in found):
                found.append(Resource(name, content, False))
    encounter = people.encounter(exam, identity, refer, catalogue)
    found.append(Resource(identity.encounter(exam.details.encounter), encounter, False))
    found.append(Resource(identity.device(), people.device(identity, catalogue), False))
    return found


def _observations(
    pool: Sequence[Evidence], identity: Identity, around: Around, refer: Refer
) -> tuple[list[Resource], list[Json]]:
    """Observations in the order captured, the computed ones after; and the references to them."""
    resources: list[Resource] = []
    links: list[Json] = []
    for one in pool:
        if one.computed is None:
            name, rests_on = identity.observation(one.finding), None
        else:
            name = identity.computed(one.computed)
            rests_on = [links[index] for index in one.computed.derived_from]
        links.append(refer(name))
        resources.append(Resource(name, observation(one, name, around, rests_on), True))
    return resources, links


def _panels(pool: Sequence[Evidence], links: Sequence[Json], identity: Identity, around: Around) -> list[Resource]:
    """A panel for each region that has findings, in the order of the regions."""
    members: dict[str, list[Json]] = {}
    region_of = around.catalogue.region_of
    for one, link in zip(pool, links, strict=True):
        members.setdefault(region_of[one.item.id], []).append(link)
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
    *collection* holds the resources alone. ``written`` as in :func:`to_resources`.
    """
    resources = to_resources(exam, catalogue, _REFER[kind], written=written)
    bundle: Json = {"resourceType": "Bundle"}
    if kind is BundleType.COLLECTION:
        bundle["id"] = Identity(exam, catalogue).report().uuid
    bundle["identifier"] = {"system": catalogue.identifier_system("bundle"), "value": exam.details.id}
    bundle["type"] = kind.value
    bundle["timestamp"] = instant(exam.details.ended or exam.details.started)
    make = _entry_of_collection if kind is BundleType.COLLECTION else _entry_with_request
    bundle["entry"] = [make(resource, kind) for resource in resources]
    return bundle


def to_json(exam: Exam, catalogue: Catalogue, kind: BundleType = BundleType.TRANSACTION) -> bytes:
    """The bytes of :func:`to_bundle`, written several times as fast."""
    return dumps(to_bundle(exam, catalogue, kind, written=True))


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


_PLAIN = re.compile(r"[A-Za-z0-9._~/-]*")


def _value_token(value: str) -> str:
    """As :func:`_token`, quicker for the values of our own identifiers, each of which comes once."""
    return value.replace("/", "%2F") if _PLAIN.fullmatch(value) else _token(value)


def _entry_with_request(resource: Resource, kind: BundleType) -> Json:
    name, content, owned = resource
    query = f"identifier={_token(name.system)}%7C{_value_token(name.value)}"
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
