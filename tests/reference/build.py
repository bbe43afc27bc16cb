"""Builds small resources from the element table: what a type must have, and what is asked for besides.

Everything is made the same way each time, so that the corpus is too. All content is invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from adapter.fhir.definitions import ElementDefinition, choice_name, definition, value_set

PRIMITIVES: dict[str, Any] = {
    "base64Binary": "AAAA",
    "boolean": True,
    "canonical": "http://example.org/fhir/thing",
    "code": "x",
    "date": "2024-05-01",
    "dateTime": "2024-05-01T08:00:00+02:00",
    "decimal": 1,
    "id": "i1",
    "instant": "2024-05-01T08:00:00.120+02:00",
    "integer": 1,
    "markdown": "text",
    "oid": "urn:oid:2.16.840.1.113883.19",
    "positiveInt": 1,
    "string": "text",
    "time": "08:00:00",
    "unsignedInt": 1,
    "uri": "http://example.org/thing",
    "url": "http://example.org/thing",
    "uuid": "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a01",
    "xhtml": '<div xmlns="http://www.w3.org/1999/xhtml">text</div>',
}
#: Codes of bound elements that the element table does not enumerate
CODES = {"mimetypes": "text/plain", "languages": "en", "all-languages": "en", "currencies": "EUR"}
#: What stands for a datatype that need have nothing
SMALL: dict[str, dict[str, Any]] = {
    "Address": {"text": "text"},
    "Age": {"value": 1, "system": "http://unitsofmeasure.org", "code": "a"},
    "Attachment": {"title": "text"},
    "CodeableConcept": {"text": "text"},
    "Coding": {"display": "text"},
    "ContactDetail": {"name": "text"},
    "ContactPoint": {"system": "phone", "value": "1"},
    "Count": {"value": 1, "system": "http://unitsofmeasure.org", "code": "1"},
    "Distance": {"value": 1, "system": "http://unitsofmeasure.org", "code": "m"},
    "Dosage": {"text": "text"},
    "Duration": {"value": 1, "system": "http://unitsofmeasure.org", "code": "d"},
    "Expression": {"language": "text/fhirpath", "expression": "true"},
    "HumanName": {"text": "text"},
    "Identifier": {"value": "1"},
    "Meta": {"source": "http://example.org/thing"},
    "Money": {"value": 1, "currency": "EUR"},
    "MarketingStatus": {},
    "Period": {"start": "2024-05-01"},
    "Quantity": {"value": 1, "unit": "x"},
    "Range": {"low": {"value": 1, "unit": "x"}},
    "Ratio": {"numerator": {"value": 1, "unit": "x"}, "denominator": {"value": 1, "unit": "x"}},
    "SampledData": {},
    "Timing": {"event": ["2024-05-01"]},
}
_TEXT = {"text": "text"}
#: What the constraints of a type ask for besides what must be there
SEEDS: dict[str, dict[str, Any]] = {
    "AllergyIntolerance": {
        "clinicalStatus": {
            "coding": [
                {"system": "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical", "code": "active"}
            ]
        }
    },
    "Appointment": {"status": "proposed", "participant": [{"status": "accepted", "type": [_TEXT]}]},
    "AppointmentResponse": {"participantType": [_TEXT]},
    "CapabilityStatement": {"kind": "requirements", "description": "text", "rest": [{"mode": "server"}]},
    "Consent": {"policyRule": _TEXT, "patient": {"reference": "Patient/1"}},
    "ElementDefinition": {"path": "Patient.name"},
    "EventDefinition": {"trigger": [{"type": "named-event", "name": "text"}]},
    "ImmunizationRecommendation": {
        "recommendation": [{"vaccineCode": [_TEXT], "forecastStatus": _TEXT}],
    },
    "InsurancePlan": {"name": "text"},
    "Linkage": {"item": [{"type": "source", "resource": {"reference": f"Patient/{n}"}} for n in (1, 2)]},
    "NutritionOrder": {"oralDiet": {"instruction": "text"}},
    "Organization": {"name": "text"},
    "OperationDefinition.parameter": {"type": "string"},
    "SearchParameter": {"type": "string"},
    "StructureDefinition": {
        "kind": "resource",
        "abstract": False,
        "type": "Patient",
        "derivation": "constraint",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
        "differential": {"element": [{"id": "Patient", "path": "Patient"}]},
    },
    "TerminologyCapabilities": {"kind": "requirements", "description": "text"},
}
#: The resource that stands where any may
ANY: dict[str, Any] = {"resourceType": "Basic", "code": {"text": "text"}}

Wanted = Mapping[str, Any]


def resource(type_name: str, wanted: Wanted | None = None) -> dict[str, Any]:
    """A resource with what it must have, and ``wanted``: property to value, or to ``...`` for a sample."""
    return {"resourceType": type_name, **content(type_name, wanted or {})}


def content(type_name: str, wanted: Wanted) -> dict[str, Any]:
    """The content of a type in the standard's order; ``wanted`` may hold content of elements."""
    made: dict[str, Any] = {}
    type_ = definition(type_name)
    wanted = {**SEEDS.get(type_name, {}), **wanted}
    name = type_.element("name")
    if type_.kind == "resource" and name is not None and name.types == ("string",):
        wanted = {"name": "Name", **wanted}
    asked = {name.removeprefix("_") for name in wanted}
    for element in type_.elements:
        names = [choice_name(element.name, t) if element.is_choice else element.name for t in element.types]
        given = [name for name in names if name in asked]
        if not given and element.min:
            given = names[:1]
        for name in given:
            if name in wanted and wanted[name] is not ...:
                made[name] = wanted[name]
            elif name in wanted or f"_{name}" not in wanted:
                made[name] = sample(type_.properties[name].type, element)
            if f"_{name}" in wanted:
                made[f"_{name}"] = wanted[f"_{name}"]
    return made


def sample(type_name: str, element: ElementDefinition) -> Any:
    """One right value of an element, in an array where it may repeat."""
    value = one(type_name, element)
    return [value] * max(element.min, 1) if element.is_array else value


def one(type_name: str, element: ElementDefinition) -> Any:
    """One right value of a type for an element."""
    if type_name == "Resource":
        return dict(ANY)
    if type_name == "Reference":
        target = "Patient" if not element.targets or "Patient" in element.targets else element.targets[0]
        return {"reference": f"{target}/1"}
    if type_name in PRIMITIVES:
        return _primitive(type_name, element)
    if type_name == "CodeableConcept" and element.binding and (codes := value_set(element.binding)):
        system, listed = next(iter(codes.systems.items()))
        return {"coding": [{"system": system, "code": min(listed)}]}
    if type_name == "Extension":
        return {"url": "http://example.org/fhir/StructureDefinition/x", "valueString": "text"}
    return {**SMALL.get(type_name, {}), **content(type_name, {})} or _fill(type_name)


def _fill(type_name: str) -> dict[str, Any]:
    """One element of a type that need have none, so that it is not empty."""
    for element in definition(type_name).elements:
        if element.name not in ("id", "extension", "modifierExtension"):
            name = choice_name(element.name, element.types[0]) if element.is_choice else element.name
            return content(type_name, {name: ...})
    raise AssertionError(type_name)


def _primitive(type_name: str, element: ElementDefinition) -> Any:
    url = element.binding.partition("|")[0]
    codes = value_set(element.binding)
    if codes is not None:
        return min(codes.codes)
    return CODES.get(url.rpartition("/")[2], PRIMITIVES[type_name])
