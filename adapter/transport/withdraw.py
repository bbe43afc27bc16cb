"""What an amended exam no longer says is withdrawn where a server still holds it."""

from __future__ import annotations

from typing import Any

from adapter.catalogue import Catalogue
from adapter.transport.client import FhirClient
from adapter.transport.fetch import fetch_exam


def with_withdrawals(client: FhirClient, catalogue: Catalogue, transaction: dict[str, Any]) -> dict[str, Any]:
    """The transaction of an amended exam, and with it the withdrawal of each Observation that it no longer has.

    A finding moved to the other side, or a rule that no longer holds, has left an Observation behind: it becomes
    ``entered-in-error`` (R4 ObservationStatus), its history stays. A final exam is given back unchanged. Raises what
    the client raises.
    """
    resources = [entry["resource"] for entry in transaction["entry"]]
    report = next((r for r in resources if r["resourceType"] == "DiagnosticReport"), None)
    if report is None or report["status"] == "final":
        return transaction
    root, system = report["identifier"][0]["value"], catalogue.identifier_system("observation")
    stored = fetch_exam(client, catalogue, root) or {"entry": []}
    said = {i["value"] for r in resources for i in r.get("identifier", []) if i.get("system") == system}
    left = []
    for entry in stored["entry"]:
        resource = entry["resource"]
        names = {i["value"] for i in resource.get("identifier", []) if i.get("system") == system}
        of_exam = any(name.startswith(f"{root}/") for name in names)
        if of_exam and not names & said and resource["status"] != "entered-in-error":
            left.append(_withdrawn(resource))
    return {**transaction, "entry": [*transaction["entry"], *left]}


def _withdrawn(resource: dict[str, Any]) -> dict[str, Any]:
    content = {name: value for name, value in resource.items() if name != "meta"}
    url = f"{resource['resourceType']}/{resource['id']}"
    return {"resource": {**content, "status": "entered-in-error"}, "request": {"method": "PUT", "url": url}}
