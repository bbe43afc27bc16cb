"""Resources that break one constraint each, where looking for one does not find it. All invented."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from typing import Any

from build import resource

Json = dict[str, Any]

TEXT = {"text": "text"}
PATIENT = {"resourceType": "Patient", "active": True}
URL = "http://example.org/fhir/thing"
UCUM = "http://unitsofmeasure.org"
NARRATIVE = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'


def without(made: Json, *names: str) -> Json:
    """A copy without some properties."""
    return {name: value for name, value in made.items() if name not in names}


def bundle(kind: str, *entries: Json, **more: Any) -> Json:
    """A Bundle."""
    return {"resourceType": "Bundle", "type": kind, **more, "entry": list(entries)}


def document(**more: Any) -> Json:
    """A document: its Composition alone."""
    composition = resource(
        "Composition",
        {"id": "c", "author": [{"display": "text"}], "section": [{"title": "text", "text": narrative("text")}]},
    )
    identifier = {"system": "http://example.org/documents", "value": "1"}
    entry = {"fullUrl": "http://example.org/fhir/Composition/c", "resource": composition}
    return bundle("document", entry, identifier=identifier, timestamp="2024-05-01T08:00:00Z") | more


def narrative(inside: str) -> Json:
    return {"status": "generated", "div": NARRATIVE.format(inside)}


def narrated(inside: str) -> Json:
    return resource("Basic", {"text": narrative(inside)})


def item(**more: Any) -> Json:
    """A Questionnaire with one item."""
    return resource("Questionnaire", {"item": [{"linkId": "1", "type": "string", **more}]})


def included(**include: Any) -> Json:
    return resource("ValueSet", {"compose": {"include": [include]}})


def expanded(**contains: Any) -> Json:
    return resource("ValueSet", {"expansion": {"timestamp": "2024-05-01", "contains": [contains]}})


def element(path: str = "Patient.name", **more: Any) -> Json:
    """One element of a differential."""
    return {"id": path, "path": path, **more}


def differential(*elements: Json, **more: Any) -> Json:
    return resource("StructureDefinition", {"differential": {"element": [element("Patient"), *elements]}, **more})


def full(path: str, **more: Any) -> Json:
    """One element of a snapshot."""
    base = {"path": path, "min": 0, "max": "*"}
    return {"id": path, "path": path, "min": 0, "max": "*", "definition": "text", "base": base, **more}


def snapshot(*elements: Json, **more: Any) -> Json:
    made = resource("StructureDefinition", {"snapshot": {"element": [full("Patient"), *elements]}, **more})
    return without(made, "differential")


def valued(name: str, value: Any) -> Json:
    """A datatype as the value of an extension."""
    url = "http://example.org/fhir/StructureDefinition/x"
    return resource("Basic", {"extension": [{"url": url, f"value{name}": value}]})


def seeded(type_name: str, *left_out: str, **more: Any) -> Json:
    return without(resource(type_name, more), *left_out)


ENTRY = {"fullUrl": "http://example.org/fhir/Patient/1", "resource": {**PATIENT, "id": "1"}}
SCOPES = {"ppc-2": "patient-privacy", "ppc-3": "research", "ppc-4": "adr", "ppc-5": "treatment"}
CODE = {"coding": [{"system": "http://example.org/codes", "code": "a"}]}


def scoped(code: str) -> Json:
    made = resource("Consent", {"scope": {"coding": [{"system": "something", "code": code}]}})
    return without(made, "patient")


BY_HAND: dict[str, Callable[[], Json]] = {
    "Bundle bdl-2": lambda: bundle("collection", {**ENTRY, "search": {"mode": "match"}}),
    "Bundle bdl-7": lambda: bundle("collection", ENTRY, ENTRY),
    "Bundle bdl-9": lambda: without(document(), "identifier"),
    "Bundle bdl-10": lambda: without(document(), "timestamp"),
    "Bundle bdl-11": lambda: document(entry=[ENTRY]),
    "Bundle.entry bdl-5": lambda: bundle("collection", {"fullUrl": "http://example.org/fhir/Patient/2"}, ENTRY),
    "Bundle.entry bdl-8": lambda: bundle("collection", {**ENTRY, "fullUrl": f"{ENTRY['fullUrl']}/_history/2"}),
    "CapabilityStatement cpb-1": lambda: seeded("CapabilityStatement", "rest"),
    "CapabilityStatement cpb-2": lambda: seeded("CapabilityStatement", "description"),
    "CapabilityStatement cpb-3": lambda: seeded("CapabilityStatement", messaging=[{"endpoint": [
        {"protocol": {"code": "http"}, "address": "http://example.org/thing"}]}]),
    "Count qty-3": lambda: valued("Count", {"value": 1, "code": "1"}),
    "Duration qty-3": lambda: resource("Goal", {"target": [
        {"measure": TEXT, "detailQuantity": {"value": 1, "code": "d"}}]}),
    "ElementDefinition eld-2": lambda: differential(element(min=2, max="1")),
    "ElementDefinition eld-5": lambda: differential(
        element(contentReference="#Patient.link", type=[{"code": "Age"}])),
    "ElementDefinition eld-6": lambda: differential(element(
        type=[{"code": "string"}, {"code": "code"}], fixedString="x")),
    "ElementDefinition eld-7": lambda: differential(element(
        type=[{"code": "string"}, {"code": "code"}], patternString="x")),
    "ElementDefinition eld-14": lambda: differential(element(constraint=[
        {"key": "x-1", "severity": "error", "human": "text", "expression": "true"}] * 2)),
    "ElementDefinition eld-15": lambda: differential(
        element(defaultValueString="x", meaningWhenMissing="text"), derivation="specialization"),
    "ElementDefinition.binding eld-12": lambda: differential(element(
        binding={"strength": "required", "valueSet": "codes"})),
    "Extension ext-1": lambda: resource("Basic", {"extension": [{"url": "http://example.org/x"}]}),
    "Narrative.div txt-1": lambda: narrated("text<script>x</script>"),
    "Narrative.div txt-2": lambda: narrated(" "),
    "Observation obs-7": lambda: resource("Observation", {
        "code": CODE, "valueString": "text", "component": [{"code": CODE, "valueString": "text"}]}),
    "Organization org-1": lambda: without(resource("Organization", {"active": True}), "name"),
    "Questionnaire que-2": lambda: resource("Questionnaire", {"item": [{"linkId": "1", "type": "string"}] * 2}),
    "Questionnaire.item que-4": lambda: item(
        type="choice", answerOption=[{"valueString": "a"}], answerValueSet=URL),
    "Questionnaire.item que-11": lambda: item(
        type="choice", answerOption=[{"valueString": "a"}], initial=[{"valueString": "a"}]),
    "Questionnaire.item que-12": lambda: item(enableWhen=[
        {"question": "1", "operator": "exists", "answerBoolean": True}] * 3),
    "Range rng-2": lambda: valued("Range", {"low": {"value": 2, "unit": "x"}, "high": {"value": 1, "unit": "x"}}),
    "StructureDefinition sdf-1": lambda: snapshot(
        full("Patient.name"), {**full("Patient.name"), "id": "Patient.name2"}, derivation="specialization"),
    "StructureDefinition sdf-4": lambda: seeded("StructureDefinition", "baseDefinition"),
    "StructureDefinition sdf-5": lambda: resource("StructureDefinition", {
        "type": "Extension", "differential": {"element": [element("Extension")]},
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Extension"}),
    "StructureDefinition sdf-6": lambda: seeded("StructureDefinition", "differential"),
    "StructureDefinition sdf-9": lambda: resource("StructureDefinition", {
        "differential": {"element": [element("Patient", label="text")]}}),
    "StructureDefinition sdf-11": lambda: without(resource("StructureDefinition", {
        "snapshot": {"element": [full("Person"), full("Person.name")]}}), "differential"),
    "StructureDefinition sdf-14": lambda: differential(without(element(), "id")),
    "StructureDefinition sdf-15": lambda: without(resource("StructureDefinition", {
        "snapshot": {"element": [full("Patient", type=[{"code": "Patient"}])]}}), "differential"),
    "StructureDefinition sdf-15a": lambda: resource("StructureDefinition", {
        "differential": {"element": [element("Patient", type=[{"code": "Patient"}])]}}),
    "StructureDefinition sdf-16": lambda: snapshot(full("Patient.name"), full("Patient.name")),
    "StructureDefinition sdf-17": lambda: differential(element(), element()),
    "StructureDefinition sdf-18": lambda: resource("StructureDefinition", {"contextInvariant": ["true"]}),
    "StructureDefinition sdf-19": lambda: differential(
        element(type=[{"code": "human-name"}]), url="http://hl7.org/fhir/StructureDefinition/x"),
    "StructureDefinition sdf-21": lambda: differential(element(defaultValueString="x")),
    "StructureDefinition sdf-22": lambda: differential(
        element(defaultValueString="x"), derivation="specialization",
        url="http://hl7.org/fhir/StructureDefinition/x"),
    "StructureDefinition sdf-23": lambda: resource("StructureDefinition", {
        "differential": {"element": [element("Patient", sliceName="x")]}}),
    "StructureDefinition.differential sdf-20": lambda: resource("StructureDefinition", {
        "differential": {"element": [element("Patient", slicing={"rules": "open", "description": "text"})]}}),
    "StructureDefinition.differential sdf-8a": lambda: differential(element("Person.name")),
    "StructureDefinition.snapshot sdf-3": lambda: snapshot(without(full("Patient.name"), "definition")),
    "StructureDefinition.snapshot sdf-8": lambda: snapshot(full("Person.name")),
    "StructureDefinition.snapshot sdf-8b": lambda: snapshot(without(full("Patient.name"), "base")),
    "StructureDefinition.snapshot.element sdf-10": lambda: snapshot(
        full("Patient.gender", binding={"strength": "required"})),
    "Timing.repeat tim-4": lambda: valued("Timing", {"repeat": {"duration": -1, "durationUnit": "d"}}),
    "Timing.repeat tim-5": lambda: valued("Timing", {"repeat": {"period": -1, "periodUnit": "d"}}),
    "TriggerDefinition trd-2": lambda: valued("TriggerDefinition", {
        "type": "named-event", "name": "text", "condition": {"language": "text/fhirpath", "expression": "true"}}),
    "ValueSet.compose.include vsd-2": lambda: included(concept=[{"code": "a"}], valueSet=[URL]),
    "ValueSet.expansion.contains vsd-6": lambda: expanded(abstract=True),
    "ValueSet.expansion.contains vsd-9": lambda: expanded(display="text"),
    "AllergyIntolerance ait-1": lambda: seeded("AllergyIntolerance", "clinicalStatus"),
    "Appointment app-4": lambda: resource("Appointment", {"cancelationReason": TEXT}),
    "AppointmentResponse apr-1": lambda: seeded("AppointmentResponse", "participantType"),
    "Condition.evidence con-2": lambda: resource("Condition", {"evidence": [
        {"extension": [{"url": "http://example.org/x", "valueString": "text"}]}]}),
    "Consent ppc-1": lambda: seeded("Consent", "policyRule"),
    **{f"Consent {key}": (lambda code=code: scoped(code)) for key, code in SCOPES.items()},
    "InsurancePlan ipn-1": lambda: without(resource("InsurancePlan", {"alias": ["text"]}), "name"),
    "List lst-2": lambda: resource("List", {"mode": "working", "entry": [
        {"deleted": True, "item": {"reference": "Patient/1"}}]}),
    "MeasureReport mrp-2": lambda: resource("MeasureReport", {
        "type": "summary", "group": [{"stratifier": [{"stratum": [{"measureScore": {"value": 1}}]}]}]}),
    "NamingSystem nsd-1": lambda: resource("NamingSystem", {
        "kind": "root", "name": "Name", "uniqueId": [{"type": "uuid", "value": "text"}]}),
    "NamingSystem nsd-2": lambda: resource("NamingSystem", {"kind": "codesystem", "name": "Name", "uniqueId": [
        {"type": "uri", "value": f"http://example.org/{n}", "preferred": True} for n in (1, 2)]}),
    "NutritionOrder nor-1": lambda: seeded("NutritionOrder", "oralDiet"),
    "OperationDefinition.parameter opd-1": lambda: resource("OperationDefinition", {
        "parameter": [{"name": "x", "use": "in", "min": 0, "max": "1"}]}),
    "RiskAssessment.prediction.probability[x] ras-1": lambda: resource("RiskAssessment", {"prediction": [
        {"probabilityRange": {"low": {"value": 1, "code": "1", "system": UCUM}}}]}),
    "TerminologyCapabilities tcp-2": lambda: seeded("TerminologyCapabilities", "description"),
    "TerminologyCapabilities.codeSystem tcp-1": lambda: resource("TerminologyCapabilities", {
        "codeSystem": [{"uri": URL, "version": [{"code": "1"}, {"isDefault": True}]}]}),
}  # fmt: skip


def made_by_hand() -> dict[str, Json]:
    """Path and key to the resource."""
    return {name: deepcopy(make()) for name, make in BY_HAND.items()}
