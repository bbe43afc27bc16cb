"""Small invented resources for the server's tests."""

from __future__ import annotations

from typing import Any

SITE = "urn:oid:2.999.1"  # 2.999 is the example arc of ITU-T X.660
BABY = "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"


def patient(value: str = "baby-1", **more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "identifier": [{"system": SITE, "value": value}], **more}


def observation(value: str = "exam-1/weight", **more: Any) -> dict[str, Any]:
    """A body weight by the R4 vital-signs table: LOINC 29463-7, UCUM kg."""
    return {
        "resourceType": "Observation",
        "identifier": [{"system": SITE, "value": value}],
        "status": "final",
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                        "code": "vital-signs",
                    }
                ]
            }
        ],
        "code": {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]},
        "subject": {"reference": "Patient/baby"},
        "effectiveDateTime": "2024-05-01T10:00:00+02:00",
        **more,
    }


def bundle(type_: str, *entries: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": type_, "entry": list(entries)}


def entry(method: str, url: str, resource: dict[str, Any] | None = None, **more: Any) -> dict[str, Any]:
    """A bundle entry; ``fullUrl``, ``ifNoneExist`` and ``ifMatch`` go where they belong."""
    made: dict[str, Any] = {"fullUrl": more.pop("fullUrl")} if "fullUrl" in more else {}
    if resource is not None:
        made["resource"] = resource
    return {**made, "request": {"method": method, "url": url, **more}}


def exam() -> dict[str, Any]:
    """A newborn who only needs to exist, and a finding that we own, as the adapter sends them."""
    return bundle(
        "transaction",
        entry(
            "PUT",
            f"Observation?identifier={SITE}|exam-1/weight",
            observation(
                subject={"reference": BABY},
                valueQuantity={"value": 3, "unit": "kg", "system": "http://unitsofmeasure.org", "code": "kg"},
            ),
            fullUrl="urn:uuid:6c1fc2c5-12f8-4f4e-a6e7-5f6e5b2f1b9c",
        ),
        entry(
            "POST",
            "Patient",
            patient(),
            fullUrl=BABY,
            ifNoneExist=f"identifier={SITE}|baby-1",
        ),
    )
