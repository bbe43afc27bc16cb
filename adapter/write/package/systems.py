"""What a receiving server needs, and the identifier systems that it will meet."""

from __future__ import annotations

from adapter.catalogue import Catalogue
from adapter.fhir.claims import ANSWER, FINDING, NOT_EXAMINED, OF_TYPE, OWN_PROFILES, PANEL, SIGN
from adapter.fhir.json import Json
from adapter.write.package.names import conformance
from adapter.write.package.names import url as url_of

_OBSERVATIONS = (FINDING, ANSWER, *OF_TYPE.values(), NOT_EXAMINED, PANEL, SIGN)
_SEARCHED = {
    "DiagnosticReport": {"patient": "reference"},
    "Observation": {"patient": "reference"},
    "RelatedPerson": {"patient": "reference"},
}
_NOT_KEPT = ("Composition",)

IDENTIFIERS = {
    "bundle": "Bundles, by the id of the exam",
    "capture-record": "Capture records that exams were made from",
    "device": "This software in one version",
    "encounter": "Encounters that are the exam itself",
    "exam": "Exams, by the id as first recorded",
    "exam-version": "Exams, by the id of each version",
    "observation": "Observations: exam/item, side and number after it",
    "provenance": "Histories of one version of an exam",
    "related-person": "Mothers, named after the newborn",
    "tell": "Requests to tell: exam/urgency",
    "told": "Tellings: exam/line of the tell list, number after it",
}
"""Our identifier systems and what they identify."""


def capability_statement(catalogue: Catalogue) -> Json:
    """What sending and reading back ask of a server (FHIR R4 CapabilityStatement, kind ``requirements``)."""
    resources = []
    for type_name in sorted({*OWN_PROFILES, "Observation"} - {*_NOT_KEPT}):
        profiles = _OBSERVATIONS if type_name == "Observation" else (OWN_PROFILES[type_name],)
        searched = {"target": "reference"} if type_name == "Provenance" else {"identifier": "token"}
        searched |= _SEARCHED.get(type_name, {})
        entry: Json = {
            "type": type_name,
            "supportedProfile": [url_of("StructureDefinition", name, catalogue) for name in profiles],
            "interaction": [{"code": code} for code in ("read", "update", "create", "search-type")],
            "versioning": "versioned-update",
            "conditionalCreate": type_name != "Provenance",
            "conditionalUpdate": type_name != "Provenance",
        }
        if type_name == "Provenance":
            entry["updateCreate"] = True
        entry["searchParam"] = [{"name": name, "type": kind} for name, kind in searched.items()]
        resources.append(entry)
    words = "What a server needs so that exams can be sent to it once, amended, retracted and read back."
    rest = {
        "mode": "server",
        "documentation": "A server without transactions is sent batches, or single requests.",
        "resource": resources,
        "interaction": [{"code": "transaction"}, {"code": "batch"}],
    }
    head = conformance("CapabilityStatement", "receiving-server", "Receiving server", words, catalogue)
    return {**head, "kind": "requirements", "fhirVersion": "4.0.1", "format": ["json", "xml"], "rest": [rest]}


def naming_systems(catalogue: Catalogue) -> list[Json]:
    """One NamingSystem for each of our identifier systems (FHIR R4 NamingSystem, section 4.12)."""
    found = []
    for name, words in IDENTIFIERS.items():
        head = conformance("NamingSystem", f"identifier-{name}", words, f"{words}.", catalogue)
        unique = [{"type": "uri", "value": catalogue.identifier_system(name), "preferred": True}]
        description = head.pop("description")
        who = {"publisher": head.pop("publisher")}
        found.append({**head, "kind": "identifier", **who, "description": description, "uniqueId": unique})
    return found
