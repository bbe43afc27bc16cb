"""Valid R4 resources to break; all invented. Each call gives a fresh one."""

from __future__ import annotations

import copy
from decimal import Decimal
from typing import Any

Resource = dict[str, Any]

CHILD = "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a01"
WEIGHT = "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a02"
REPORT = "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a03"
MOTHER = "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a04"
RELATED = "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a05"

UCUM = "http://unitsofmeasure.org"
VITAL = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs"}]}
MTH = {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RoleCode", "code": "MTH"}]}


def loinc(code: str) -> Resource:
    return {"coding": [{"system": "http://loinc.org", "code": code}]}


def quantity(value: str, unit: str) -> Resource:
    return {"value": Decimal(value), "unit": unit, "system": UCUM, "code": unit}


def vital(code: str = "29463-7", value: str = "3.10", unit: str = "kg") -> Resource:
    """A vital sign; the newborn's weight unless told otherwise."""
    return {
        "resourceType": "Observation",
        "status": "final",
        "category": [copy.deepcopy(VITAL)],
        "code": loinc(code),
        "subject": {"reference": "Patient/p1"},
        "effectiveDateTime": "2024-05-01T07:00:00+02:00",
        "valueQuantity": quantity(value, unit),
    }


def blood_pressure() -> Resource:
    made = vital("85354-9")
    del made["valueQuantity"]
    made["component"] = [
        {"code": loinc("8480-6"), "valueQuantity": quantity("70", "mm[Hg]")},
        {"code": loinc("8462-4"), "valueQuantity": quantity("45", "mm[Hg]")},
    ]
    return made


def finding() -> Resource:
    """An Observation that is no vital sign, with the elements that rules speak of."""
    return {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "anterior fontanelle"},
        "subject": {"reference": "Patient/p1"},
        "valueString": "flat",
        "referenceRange": [{"text": "flat"}],
        "component": [{"code": {"text": "how"}, "valueString": "palpated"}],
    }


def patient() -> Resource:
    return {
        "resourceType": "Patient",
        "identifier": [{"system": "http://example.org/mrn", "value": "B-1"}],
        "name": [{"use": "temp", "given": ["Invented"]}],
        "gender": "female",
        "birthDate": "2024-05-01",
        "_birthDate": {
            "extension": [
                {
                    "url": "http://hl7.org/fhir/StructureDefinition/patient-birthTime",
                    "valueDateTime": "2024-05-01T06:10:00+02:00",
                }
            ]
        },
        "contact": [{"name": {"text": "Invented"}}],
    }


def bundle(*resources: tuple[str, Resource]) -> Resource:
    """A collection of (fullUrl, resource)."""
    return {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [{"fullUrl": url, "resource": resource} for url, resource in resources],
    }


def family() -> Resource:
    """Newborn, mother as RelatedPerson and as Patient, a weight and a report, as R4's page of Patient links them."""
    weight = vital()
    weight["subject"] = {"reference": CHILD}
    report = {
        "resourceType": "DiagnosticReport",
        "status": "final",
        "code": {"text": "newborn examination"},
        "subject": {"reference": CHILD},
        "result": [{"reference": WEIGHT}],
    }
    mother = {
        "resourceType": "Patient",
        "identifier": [{"system": "http://example.org/mrn", "value": "M-1"}],
        "link": [{"other": {"reference": RELATED}, "type": "seealso"}],
    }
    related = {
        "resourceType": "RelatedPerson",
        "identifier": [{"system": "http://example.org/mrn", "value": "M-1"}],
        "patient": {"reference": CHILD},
        "relationship": [copy.deepcopy(MTH)],
    }
    return bundle((CHILD, patient()), (WEIGHT, weight), (REPORT, report), (MOTHER, mother), (RELATED, related))


def document() -> Resource:
    composition = {
        "resourceType": "Composition",
        "status": "final",
        "type": {"text": "newborn examination"},
        "date": "2024-05-01T08:00:00+02:00",
        "author": [{"display": "Invented"}],
        "title": "Newborn examination",
        "section": [{"title": "all", "entry": [{"reference": CHILD}]}],
    }
    made = bundle((REPORT, composition), (CHILD, patient()))
    made["type"] = "document"
    made["identifier"] = {"system": "http://example.org/docs", "value": "d1"}
    made["timestamp"] = "2024-05-01T08:00:00+02:00"
    return made


def changed(resource: Resource, path: str, value: Any) -> Resource:
    """A copy in which the place ``a.0.b`` has another value; ``...`` as value removes it."""
    made = copy.deepcopy(resource)
    *parents, last = path.split(".")
    here: Any = made
    for part in parents:
        here = here[int(part)] if part.isdigit() else here[part]
    key: Any = int(last) if last.isdigit() else last
    if value is ...:
        del here[key]
    else:
        here[key] = value
    return made
