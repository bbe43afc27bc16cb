"""Reading an exam back from a server: its DiagnosticReport, and all that this leads to."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
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
    report = _report(client, catalogue, root)
    return None if report is None else _bundle(client, report, _about(client, _id(report["subject"])))


def fetch_exams_of(client: FhirClient, catalogue: Catalogue, newborn: Identifier) -> list[dict[str, Any]]:
    """Every exam of ours that the server holds of one newborn, each as a Bundle; none where it knows no such newborn.

    Raises what the client raises.
    """
    known = catalogue.resolve(newborn)
    token = search_token(known.system, known.value)
    patient = next(client.search("Patient", {"identifier": token}), None)
    if patient is None:
        return []
    reports = client.search("DiagnosticReport", {"patient": f"Patient/{patient['id']}"})
    ours = [report for report in reports if _root(report, catalogue)]
    about = _about(client, patient["id"]) if ours else []
    return [_bundle(client, report, about) for report in ours]


def fetch_all_exams(
    client: FhirClient, catalogue: Catalogue, reports: Iterable[dict[str, Any]] | None = None, since: str = ""
) -> Iterator[dict[str, Any]]:
    """Every exam of ours that the server holds, each as a Bundle, newborn after newborn, each read once.

    ``reports``: the exams of these DiagnosticReports alone; else all, of those that changed at or after the instant
    ``since``. In memory are the ids of all exams, and what is known of one newborn. Raises what the client raises.
    """
    system, roots = catalogue.identifier_system("exam"), dict[str, list[str]]()
    changed = {"_lastUpdated": f"ge{since}"} if since else {}
    if reports is None:
        reports = client.search("DiagnosticReport", {"identifier": f"{escaped(system)}|", **changed})
    for report in reports:
        root = _root(report, catalogue)
        if root:
            roots.setdefault(_id(report["subject"]), []).append(root)
    for patient, exams in roots.items():
        about = _about(client, patient)
        for root in exams:
            found = _report(client, catalogue, root)
            if found is not None:
                yield _bundle(client, found, about)


def _root(report: dict[str, Any], catalogue: Catalogue) -> str:
    system = catalogue.identifier_system("exam")
    return next((str(i["value"]) for i in report.get("identifier", []) if i.get("system") == system), "")


def _report(client: FhirClient, catalogue: Catalogue, root: str) -> dict[str, Any] | None:
    token = search_token(catalogue.identifier_system("exam"), root)
    return next(client.search("DiagnosticReport", {"identifier": token}), None)


def _about(client: FhirClient, patient: str) -> list[dict[str, Any]]:
    """What the server holds of a newborn, whatever the exam."""
    of = f"Patient/{patient}"
    found = [client.read("Patient", patient), *client.search("RelatedPerson", {"patient": of})]
    return [*found, *client.search("Observation", {"patient": of, "_count": "500"})]


def _bundle(client: FhirClient, report: dict[str, Any], about: list[dict[str, Any]]) -> dict[str, Any]:
    provenances = list(client.search("Provenance", {"target": f"DiagnosticReport/{report['id']}"}))
    resources = [*about, report, *provenances]
    known = {f"{resource['resourceType']}/{resource['id']}" for resource in resources}
    provenances += [resource for resource in report.get("contained", []) if resource["resourceType"] == "Provenance"]
    told = _tellings(client, report, provenances)
    resources += told
    for reference in sorted(named_by(report, provenances, told) - known):
        type_, _, id_ = reference.partition("/")
        resources.append(client.read(type_, id_))
    entries = [{"fullUrl": f"{client.base_url}/{r['resourceType']}/{r['id']}", "resource": r} for r in resources]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def _tellings(client: FhirClient, report: dict[str, Any], provenances: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Who was told, as Communications: a Provenance of its own names them; else the newborn's are searched."""
    if any(one.get("resourceType") == "Provenance" for one in report.get("contained", [])):
        return list(client.search("Communication", {"subject": report["subject"]["reference"]}))
    targets = [target for provenance in provenances for target in provenance.get("target", [])]
    found = (_LITERAL.search(target.get("reference", "")) for target in targets)
    ids = {match["id"] for match in found if match and match["type"] == "Communication"}
    return [client.read("Communication", name) for name in sorted(ids)]


def named_by(report: dict[str, Any], provenances: list[dict[str, Any]], told: list[dict[str, Any]]) -> set[str]:
    """The Encounter, the Practitioners and the Device that an exam refers to."""
    references = [report.get("encounter", {}), *report.get("performer", [])]
    references += [agent.get("who", {}) for provenance in provenances for agent in provenance.get("agent", [])]
    references += [person for one in told for person in (one.get("sender", {}), *one.get("recipient", []))]
    found = (_LITERAL.search(reference.get("reference", "")) for reference in references)
    return {match[0] for match in found if match}


def _id(reference: dict[str, Any]) -> str:
    match = _LITERAL.search(reference.get("reference", ""))
    return match["id"] if match else ""
