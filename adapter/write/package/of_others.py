"""What the resources around the findings have: people, exam, report, request, history, software."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue
from adapter.fhir.claims import OWN_PROFILES
from adapter.fhir.json import Json
from adapter.fhir.people import BIRTH_TIME, ROLE_CODE
from adapter.write.package.elements import element, extension, of_system, reference, sliced, types
from adapter.write.package.names import url as url_of

Profile = tuple[str, str, str, str, list[Json]]


def others(catalogue: Catalogue) -> Iterator[Profile]:
    """Name, type, title, words and differential of each profile on a type that is not Observation."""
    for type_name, title, words, differential in (
        ("Patient", "Newborn", "The newborn, with the moment of birth.", _newborn()),
        ("RelatedPerson", "Mother", "The mother, as a person related to this newborn.", _mother()),
        ("Practitioner", "Examiner", "Who examined and has an identifier.", [_identified("Practitioner")]),
        (
            "Organization", "Organisation", "Whose exams these are.",
            [_identified("Organization"), element("Organization.name", min_=1)],
        ),
        ("Encounter", "Encounter of an exam", "The stay or visit in which it was made.", _encounter()),
        ("Device", "Software", "This software and the version of its catalogue.", _software()),
        ("DiagnosticReport", "Exam", "The exam as a whole; its conclusion is what must be told.", _report(catalogue)),
        ("Communication", "Telling", "Who was told of a line, when, by whom, and whether it was read back.", _told()),
        ("CommunicationRequest", "Request to tell", "What must be told, of one urgency.", _tell()),
        ("Composition", "Document of an exam", "The exam as a person reads it, its sections coded.", _document()),
        ("Provenance", "History of an exam", "Who examined and what assembled it.", _history(catalogue)),
    ):  # fmt: skip
        yield OWN_PROFILES[type_name], type_name, title, words, differential


def _identified(type_name: str) -> Json:
    return element(f"{type_name}.identifier", min_=1)


def _newborn() -> list[Json]:
    return [
        _identified("Patient"),
        element("Patient.gender", min_=1),
        element("Patient.birthDate", min_=1),
        sliced("Patient.birthDate.extension", "url"),
        element("Patient.birthDate.extension:birthTime", min_=1, max_="1", type=extension(BIRTH_TIME)),
    ]


def _mother() -> list[Json]:
    mother = {"coding": [{"system": ROLE_CODE, "code": "MTH"}]}
    return [
        _identified("RelatedPerson"),
        element("RelatedPerson.relationship", min_=1, max_="1", patternCodeableConcept=mother),
    ]


def _encounter() -> list[Json]:
    return [_identified("Encounter"), element("Encounter.subject", min_=1, type=reference("Patient"))]


def _software() -> list[Json]:
    return [_identified("Device"), element("Device.deviceName", min_=1), element("Device.version", min_=2)]


def _report(catalogue: Catalogue) -> list[Json]:
    value_set = url_of("ValueSet", catalogue.systems["kind"].uri.rpartition("/")[2], catalogue)
    return [
        element("DiagnosticReport.identifier", min_=2),
        sliced("DiagnosticReport.code.coding", "system"),
        *of_system("DiagnosticReport.code", "kind", catalogue.uri("kind"), value_set, 1),
        element("DiagnosticReport.subject", min_=1, type=reference("Patient")),
        element("DiagnosticReport.encounter", min_=1),
        element("DiagnosticReport.effective[x]", min_=1),
        element("DiagnosticReport.issued", min_=1),
        element("DiagnosticReport.conclusion", min_=1),
    ]


def _tell() -> list[Json]:
    return [
        _identified("CommunicationRequest"),
        element("CommunicationRequest.groupIdentifier", min_=1),
        element("CommunicationRequest.category", min_=1),
        element("CommunicationRequest.priority", min_=1),
        element("CommunicationRequest.subject", min_=1, type=reference("Patient")),
        element("CommunicationRequest.about", min_=1),
        element("CommunicationRequest.payload.content[x]", type=types("string")),
        element("CommunicationRequest.authoredOn", min_=1),
        element("CommunicationRequest.requester", min_=1),
    ]


def _told() -> list[Json]:
    return [
        _identified("Communication"),
        element("Communication.subject", min_=1, type=reference("Patient")),
        element("Communication.about", min_=1),
        element("Communication.sent", min_=1),
        element("Communication.recipient", min_=1),
        element("Communication.payload.content[x]", type=types("string")),
    ]


def _document() -> list[Json]:
    return [
        element("Composition.text", min_=1),
        element("Composition.identifier", min_=1),
        element("Composition.subject", min_=1, type=reference("Patient")),
        element("Composition.section", min_=1),
        element("Composition.section.title", min_=1),
        element("Composition.section.code", min_=1),
        element("Composition.section.text", min_=1),
    ]


def _history(catalogue: Catalogue) -> list[Json]:
    value_set = url_of("ValueSet", catalogue.systems["role"].uri.rpartition("/")[2], catalogue)
    return [
        element("Provenance.occurred[x]", min_=1, type=types("Period")),
        element("Provenance.agent", min_=2),
        element("Provenance.agent.type", min_=1),
        sliced("Provenance.agent.role.coding", "system"),
        *of_system("Provenance.agent.role", "role", catalogue.uri("role"), value_set, 1),
        element("Provenance.entity", min_=1),
    ]
