"""What a server holds, looked up with plain searches and judged without the code that sends."""

from __future__ import annotations

from typing import Any

from adapter.exam import Exam
from adapter.send import FhirClient

Found = dict[str, list[dict[str, Any]]]


def observations(client: FhirClient, exam: Exam) -> Found:
    """The exam's Observations by the value of their identifier; there must be one Patient."""
    identifier = exam.newborn.identifiers[0]
    [patient] = client.search("Patient", {"identifier": f"{identifier.system}|{identifier.value}"})
    found: Found = {}
    for resource in client.search("Observation", {"subject": f"Patient/{patient['id']}", "_count": "100"}):
        value = resource["identifier"][0]["value"]
        if value.startswith(f"{exam.details.root}/"):
            found.setdefault(value, []).append(resource)
    return found


def statuses(found: Found, *but: str) -> dict[str, str]:
    """The status of each Observation; without those of the first status in ``but``, where given."""
    return {key: same[0]["status"] for key, same in found.items() if not but or same[0]["status"] != but[0]}
