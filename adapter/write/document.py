"""An exam as a FHIR document: a Composition that a person can read, and everything that it rests on, in one Bundle.

FHIR R4: Bundle (section 2.36, bdl-9 to bdl-11), Composition (2.42), documents (3.3.1). Every reference resolves
inside the bundle; the same exam and catalogue give the same bytes.
"""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.derive.view import ExamView
from adapter.exam import Exam
from adapter.fhir import to_resources, with_id
from adapter.fhir.claims import with_claims
from adapter.fhir.identity import Identity, by_full_url
from adapter.fhir.json import Json, dumps
from adapter.fhir.observation import instant
from adapter.fhir.release import to_release
from adapter.fhir.xml import to_xml
from adapter.write.attached import presented_form
from adapter.write.composition import composition
from adapter.write.narratives import Narratives


def write(
    exam: Exam,
    catalogue: Catalogue,
    kind: str,
    encoding: str,
    *,
    pretty: bool = False,
    earlier: Sequence[Exam] = (),
) -> bytes:
    """The document of an exam; with earlier exams of this newborn it is judged as the last of them, and has a section
    on what changed."""
    bundle = to_release(document(exam, catalogue, earlier), catalogue.settings.fhir)
    return to_xml(bundle, pretty=pretty) if encoding == "xml" else dumps(bundle, pretty=pretty) + b"\n"


def document(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Json:
    """The document Bundle: the Composition first, then the resources in the order of every other bundle."""
    identity, view = Identity(exam, catalogue), ExamView(exam, catalogue, earlier)
    presented = presented_form(exam, catalogue, earlier)
    resources = to_resources(exam, catalogue, by_full_url, earlier=earlier, presented=presented)
    narratives = Narratives(view, resources)
    name = identity.document(exam.details.id)
    first = with_claims(composition(view, identity, resources), catalogue)
    entries = [{"fullUrl": identity.composition().full_url, "resource": first}]
    entries += [{"fullUrl": one.name.full_url, "resource": narratives.told(with_id(one))} for one in resources]
    return {
        "resourceType": "Bundle",
        "id": name.uuid,
        "identifier": name.identifier,
        "type": "document",
        "timestamp": instant(exam.details.ended or exam.details.started),
        "entry": entries,
    }
