"""Reading an exam back from a server: its DiagnosticReport, and all that this leads to."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Identifier
from adapter.fhir import search_token
from adapter.fhir.identity import escaped
from adapter.send.rest.client import FhirClient

_LITERAL = re.compile(r"(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9\-.]{1,64})")


def fetch_exam(client: FhirClient, catalogue: Catalogue, root: str) -> dict[str, Any] | None:
    """The exam with this id as a collection Bundle of what the server holds, or None where it holds none.

    :func:`adapter.fhir.from_bundle` reads the Exam from it. Raises what the client raises.
    """
    token = search_token(catalogue.identifier_system("exam"), root)
    report = next(client.search("DiagnosticReport", {"identifier": token}), None)
    if report is None:
        return None
    patient = client.read("Patient", _id(report["subject"]))
    subject = {"patient": patient["id"]}
    resources = [patient, *client.search("RelatedPerson", subject)]
    resources += client.search("Observation", {"patient": patient["id"], "_count": "500"})
    resources.append(report)
    provenances = list(client.search("Provenance", {"target": f"DiagnosticReport/{report['id']}"}))
    resources += provenances
    known = {f"{resource['resourceType']}/{resource['id']}" for resource in resources}
    provenances += [resource for resource in report.get("contained", []) if resource["resourceType"] == "Provenance"]
    for reference in sorted(_others(report, provenances) - known):
        type_, _, id_ = reference.partition("/")
        resources.append(client.read(type_, id_))
    entries = [{"fullUrl": f"{client.base_url}/{r['resourceType']}/{r['id']}", "resource": r} for r in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def fetch_exams_of(client: FhirClient, catalogue: Catalogue, newborn: Identifier) -> list[dict[str, Any]]:
    """Every exam of ours that the server holds of one newborn, each as a Bundle; none where it knows no such newborn.

    Raises what the client raises.
    """
    known = catalogue.resolve(newborn)
    token = search_token(known.system, known.value)
    patient = next(client.search("Patient", {"identifier": token}), None)
    if patient is None:
        return []
    system, found = catalogue.identifier_system("exam"), []
    for report in client.search("DiagnosticReport", {"patient": patient["id"]}):
        root = next((i["value"] for i in report.get("identifier", []) if i.get("system") == system), None)
        bundle = fetch_exam(client, catalogue, root) if root else None
        found += [bundle] if bundle else []
    return found


def fetch_all_exams(client: FhirClient, catalogue: Catalogue) -> Iterator[dict[str, Any]]:
    """Every exam of ours that the server holds, each as a Bundle, one after the other.

    Raises what the client raises.
    """
    system = catalogue.identifier_system("exam")
    for report in client.search("DiagnosticReport", {"identifier": f"{escaped(system)}|"}):
        root = next((i["value"] for i in report.get("identifier", []) if i.get("system") == system), None)
        bundle = fetch_exam(client, catalogue, root) if root else None
        if bundle:
            yield bundle


def _others(report: dict[str, Any], provenances: list[dict[str, Any]]) -> set[str]:
    """The Encounter, the Practitioners and the Device that an exam refers to."""
    references = [report.get("encounter", {}), *report.get("performer", [])]
    references += [agent.get("who", {}) for provenance in provenances for agent in provenance.get("agent", [])]
    found = (_LITERAL.search(reference.get("reference", "")) for reference in references)
    return {match[0] for match in found if match}


def _id(reference: dict[str, Any]) -> str:
    match = _LITERAL.search(reference.get("reference", ""))
    return match["id"] if match else ""
