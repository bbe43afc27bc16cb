"""Each constraint with a resource that keeps it and one that breaks it, before two judges.

The other judge is fhirpathpy, which evaluates the expressions of the official R4 package itself. It lacks
hasValue() (per-1, bdl-10) and htmlChecks() (txt-1, txt-2), raises on dom-3, and takes no $this quantities
comparison for rng-2: those are checked against the standard's wording alone.
"""

from __future__ import annotations

import copy
import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from fhirpathpy.models import models
from sample_resources import (
    CHILD,
    REPORT,
    Resource,
    bundle,
    changed,
    document,
    family,
    finding,
    loinc,
    patient,
    quantity,
    vital,
)

from adapter.fhir.json import dumps
from adapter.problems import Layer
from adapter.validate import validate
from tests.fhir_xml.official_package import files_of
from tests.fhirpath import evaluate

DIV = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'


def narrated(content: str) -> Resource:
    return {**patient(), "text": {"status": "generated", "div": DIV.format(content)}}


def containing(**content: Any) -> Resource:
    """A finding whose subject is a contained patient."""
    made = finding()
    made["subject"] = {"reference": "#p"}
    made["contained"] = [{"resourceType": "Patient", "id": "p", **content}]
    return made


def typed(bundle_type: str, **more: Any) -> Resource:
    return {**family(), "type": bundle_type, **more}


def transaction() -> Resource:
    made = typed("transaction")
    for entry in made["entry"]:
        entry["request"] = {"method": "POST", "url": entry["resource"]["resourceType"]}
    return made


def message() -> Resource:
    header = {
        "resourceType": "MessageHeader",
        "eventCoding": {"system": "http://example.org/events", "code": "newborn-exam"},
        "source": {"endpoint": "http://example.org/source"},
    }
    return {**bundle((REPORT, header), (CHILD, patient())), "type": "message"}


def searchset() -> Resource:
    made = typed("searchset", total=5)
    made["entry"][0]["search"] = {"mode": "match"}
    return made


def response() -> Resource:
    return {
        "resourceType": "Bundle",
        "type": "transaction-response",
        "entry": [{"response": {"status": "201 Created"}}],
    }


def composition(**section: Any) -> Resource:
    made = document()["entry"][0]["resource"]
    return {**made, "section": [section]}


def answered(**item: Any) -> Resource:
    return {
        "resourceType": "QuestionnaireResponse",
        "status": "completed",
        "item": [{"linkId": "1", **item}],
    }


NESTED = [{"linkId": "1.1", "answer": [{"valueBoolean": True}]}]
SAME_CODE = {**finding(), "code": loinc("9272-6"), "component": [{"code": loinc("9272-6")}]}

# key, valid resource, broken resource, where
CASES: list[tuple[str, Resource, Resource, str]] = [
    ("obs-3", finding(), changed(finding(), "referenceRange.0", {"appliesTo": [{"text": "x"}]}),
     "Observation.referenceRange[0]"),
    ("obs-6", {**finding(), "valueString": "x"}, {**finding(), "dataAbsentReason": {"text": "x"}}, "Observation"),
    ("obs-7", changed(SAME_CODE, "valueString", ...), SAME_CODE, "Observation.component[0].code"),
    ("ext-1", patient(), changed(patient(), "_birthDate.extension.0.extension", [{"url": "u", "valueCode": "x"}]),
     "Patient._birthDate.extension[0]"),
    ("ext-1", patient(), changed(patient(), "_birthDate.extension.0.valueDateTime", ...),
     "Patient._birthDate.extension[0]"),
    ("qty-3", vital(), changed(vital(), "valueQuantity.system", ...), "Observation.valueQuantity"),
    ("sqty-1", changed(finding(), "referenceRange.0.low", quantity("1", "cm")),
     changed(finding(), "referenceRange.0.low", {**quantity("1", "cm"), "comparator": "<"}),
     "Observation.referenceRange[0].low"),
    ("att-1", {**patient(), "photo": [{"data": "AAAA", "contentType": "image/png"}]},
     {**patient(), "photo": [{"data": "AAAA"}]}, "Patient.photo[0]"),
    ("cpt-2", {**patient(), "telecom": [{"system": "phone", "value": "0"}]},
     {**patient(), "telecom": [{"value": "0"}]}, "Patient.telecom[0]"),
    ("ref-1", containing(), changed(containing(), "subject.reference", "#q"), "Observation.subject.reference"),
    ("pat-1", patient(), changed(patient(), "contact.0", {"gender": "female"}), "Patient.contact[0]"),
    ("cmp-1", composition(title="x", text={"status": "empty", "div": DIV.format("x")}), composition(title="x"),
     "Composition.section[0]"),
    ("cmp-2", composition(entry=[{"reference": CHILD}]),
     composition(entry=[{"reference": CHILD}], emptyReason={"text": "x"}), "Composition.section[0]"),
    ("qrs-1", answered(item=NESTED), answered(item=NESTED, answer=[{"valueBoolean": True}]),
     "QuestionnaireResponse.item[0]"),
    ("dom-2", containing(), containing(contained=[{"resourceType": "Patient", "id": "x"}]),
     "Observation.contained[0]"),
    ("dom-4", containing(meta={"source": "urn:x"}), containing(meta={"versionId": "1"}), "Observation.contained[0]"),
    ("dom-5", containing(meta={"tag": [{"code": "x"}]}), containing(meta={"security": [{"code": "R"}]}),
     "Observation.contained[0]"),
    ("bdl-1", searchset(), typed("collection", total=5), "Bundle"),
    ("bdl-2", searchset(), {**searchset(), "type": "collection", "total": 5}, "Bundle.entry[0].search"),
    ("bdl-3", transaction(), changed(transaction(), "entry.1.request", ...), "Bundle.entry[1]"),
    ("bdl-3", family(), {**transaction(), "type": "collection"}, "Bundle.entry[0]"),
    ("bdl-4", response(), changed(response(), "entry.0", {"fullUrl": CHILD, "resource": patient()}),
     "Bundle.entry[0]"),
    ("bdl-4", family(), {**response(), "type": "collection"}, "Bundle.entry[0]"),
    ("bdl-5", family(), changed(family(), "entry.4", {"fullUrl": CHILD}), "Bundle.entry[4]"),
    ("bdl-7", family(), changed(family(), "entry.3.fullUrl", CHILD), "Bundle.entry[3].fullUrl"),
    ("bdl-8", family(), changed(family(), "entry.3.fullUrl", "http://example.org/Patient/1/_history/2"),
     "Bundle.entry[3].fullUrl"),
    ("bdl-9", document(), changed(document(), "identifier", {"value": "x"}), "Bundle"),
    ("bdl-10", document(), changed(document(), "timestamp", ...), "Bundle"),
    ("bdl-11", document(), {**document(), "entry": document()["entry"][::-1]}, "Bundle.entry[0].resource"),
    ("bdl-12", message(), {**message(), "entry": message()["entry"][::-1]}, "Bundle.entry[0].resource"),
    ("per-1", {**patient(), "address": [{"period": {"start": "2024-05", "end": "2024-05-01"}}]},
     {**patient(), "address": [{"period": {"start": "2024-05-02", "end": "2024-05-01"}}]},
     "Patient.address[0].period"),
    ("per-1", {**finding(), "effectivePeriod": {"start": "2024-05-01T12:00:00+02:00", "end": "2024-05-01T11:00:00Z"}},
     {**finding(), "effectivePeriod": {"start": "2024-05-01T12:00:00+02:00", "end": "2024-05-01T09:59:00Z"}},
     "Observation.effectivePeriod"),
    ("rng-2", changed(finding(), "referenceRange.0.age", {"low": quantity("1", "d"), "high": quantity("2", "d")}),
     changed(finding(), "referenceRange.0.age", {"low": quantity("2", "d"), "high": quantity("1.9", "d")}),
     "Observation.referenceRange[0].age"),
    ("dom-3", containing(), changed(containing(), "subject.reference", "Patient/x"), "Observation.contained[0]"),
    ("txt-1", narrated("<p>x <b>y</b></p>"), narrated("x<script>y</script>"), "Patient.text.div"),
    ("txt-1", narrated("<a href='http://example.org'>x</a>"), narrated("<a href=' JavaScript:x'>x</a>"),
     "Patient.text.div"),
    ("txt-1", narrated("<p style='color:red'>x</p>"), narrated("<p onclick='x'>x</p>"), "Patient.text.div"),
    ("txt-1", narrated("&#160;x"), narrated("&nbsp;x"), "Patient.text.div"),
    ("txt-2", narrated("<img src='#x'/>"), narrated(" <p>\n</p>"), "Patient.text.div"),
]  # fmt: skip

ONE_JUDGE_ONLY = {"per-1", "bdl-10", "rng-2", "dom-3", "txt-1", "txt-2", "sqty-1"}


def broken_rules(resource: Resource) -> set[tuple[str, str]]:
    return {(p.rule, p.where) for p in validate(resource, layers=[Layer.INVARIANTS])}


@pytest.mark.parametrize(("key", "valid", "broken", "where"), CASES)
def test_each_constraint_kept_and_broken(key: str, valid: Resource, broken: Resource, where: str) -> None:
    assert key not in {rule for rule, _ in broken_rules(valid)}
    assert (key, where) in broken_rules(broken)
    [problem] = [p for p in validate(broken, layers=[Layer.INVARIANTS]) if p.where == where and p.rule == key]
    assert problem.what
    assert problem.remedy
    assert key in problem.section


@cache
def expressions(wheel: Path) -> dict[tuple[str, str], str]:
    """Constraint key and element path to FHIRPath expression, from the official definitions."""
    found = {}
    for name, content in files_of(wheel).items():
        if name.startswith("StructureDefinition-"):
            structure = json.loads(content)
            if structure.get("derivation") != "constraint":
                for element in structure["snapshot"]["element"]:
                    for constraint in element.get("constraint", ()):
                        found[constraint["key"], element["path"]] = constraint["expression"]
    return found


def other_judge(wheel: Path, key: str, resource: Resource, where: str) -> bool:
    """Whether fhirpathpy finds the constraint kept at every element it is for."""
    name = resource["resourceType"]
    table = expressions(wheel)
    places = {
        "ext-1": ("Extension", "descendants().where(url.exists() and ($this is Extension))"),
        "qty-3": ("Quantity", "Observation.value"),
        "att-1": ("Attachment", "Patient.photo"),
        "cpt-2": ("ContactPoint", "Patient.telecom"),
        "ref-1": ("Reference", "Observation.subject"),
    }
    plain = where.replace("[0]", "").replace("[1]", "")
    path, select = places.get(key, (None, None))
    if path is None:
        path = next(p for k, p in table if k == key and (plain == p or plain.startswith(p)) and p.startswith(name))
        select = path
    if key == "ext-1":
        select = "Patient.birthDate.extension"
    expression = f"({select}).all({table[key, path]})"
    plain_resource = json.loads(dumps(resource))
    context = {"resource": plain_resource, "rootResource": plain_resource}
    return bool(evaluate(plain_resource, expression, context, models["r4"]) == [True])


@pytest.mark.parametrize(
    ("key", "valid", "broken", "where"), [case for case in CASES if case[0] not in ONE_JUDGE_ONLY]
)
def test_the_other_judge_agrees(fhir_package: Path, key: str, valid: Resource, broken: Resource, where: str) -> None:
    assert other_judge(fhir_package, key, valid, where)
    assert not other_judge(fhir_package, key, broken, where)


def test_no_other_constraint_is_broken_by_the_valid_ones() -> None:
    for _, valid, _, _ in CASES:
        assert broken_rules(valid) == set()


def test_a_contained_resource_may_refer_to_its_container() -> None:
    made = finding()
    made["contained"] = [{"resourceType": "Observation", "id": "o", "status": "final", "code": {"text": "x"},
                          "derivedFrom": [{"reference": "#"}]}]  # fmt: skip
    assert broken_rules(made) == set()


def test_a_reference_in_a_contained_resource_looks_in_the_container() -> None:
    made = containing(generalPractitioner=[{"reference": "#g"}])
    assert broken_rules(made) == {("ref-1", "Observation.contained[0].generalPractitioner[0].reference")}
    made["contained"].append({"resourceType": "Practitioner", "id": "g"})
    assert broken_rules(made) == set()


def test_entries_of_a_bundle_are_checked_in_their_place() -> None:
    made = copy.deepcopy(family())
    made["entry"][1]["resource"]["dataAbsentReason"] = {"text": "x"}
    assert broken_rules(made) == {("obs-6", "Bundle.entry[1].resource")}


CODES = {"resourceType": "CodeSystem", "status": "draft", "content": "complete"}
PROFILE = {"resourceType": "StructureDefinition", "url": "http://example.org/x", "name": "X", "status": "draft",
           "abstract": False, "type": "Patient", "derivation": "constraint",
           "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
           "differential": {"element": [{"path": "Patient", "id": "Patient"}]}}  # fmt: skip


def concept(code: str) -> list[Any]:
    inner = {"code": "b", "property": [{"code": code, "valueString": "x"}]}
    return [{"code": "a", "concept": [inner]}]


@pytest.mark.parametrize(
    ("kept", "broken", "rule", "where"),
    [
        # FHIR R4, CodeSystem.concept.property.code: "a code that is a reference to CodeSystem.property.code"
        ({**CODES, "property": [{"code": "p", "type": "string"}], "concept": concept("p")},
         {**CODES, "property": [{"code": "p", "type": "string"}], "concept": concept("q")},
         "property-undefined", "CodeSystem.concept[0].concept[0].property[0].code"),
        ({**CODES, "property": [{"code": "p", "type": "string"}, {"code": "q", "type": "string"}]},
         {**CODES, "property": [{"code": "p", "type": "string"}, {"code": "p", "type": "string"}]},
         "property-twice", "CodeSystem.property[1].code"),
        # StructureDefinition.kind: the kind of structure that is described; Patient is a resource
        ({**PROFILE, "kind": "resource"}, {**PROFILE, "kind": "complex-type"},
         "kind-of-type", "StructureDefinition.kind"),
    ],
)  # fmt: skip
def test_what_the_text_asks_of_definitions(kept: Resource, broken: Resource, rule: str, where: str) -> None:
    assert validate(kept).errors == []
    assert (rule, where) in {(p.rule, p.where) for p in validate(broken).errors}
