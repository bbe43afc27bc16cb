"""Good resources to break, and one fault each that is no constraint: structure, references, terminology, profiles.

A fault is a name, the rule it breaks, and the broken resource, made from a good one by one change.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from build import PRIMITIVES, resource
from by_hand import ENTRY, TEXT, bundle, document, narrated
from sample_resources import (
    CHILD,
    Resource,
    blood_pressure,
    changed,
    family,
    finding,
    loinc,
    patient,
    quantity,
    vital,
)

from adapter.validate.values import is_json_type

Fault = tuple[str, str, Resource]
STANDARD = "http://hl7.org/fhir/StructureDefinition"
URL = "http://example.org/fhir/StructureDefinition/x"


def good() -> Iterator[tuple[str, Resource]]:
    """Resources with the elements that rules speak of, without fault."""
    yield "a finding", finding()
    yield "a vital sign", vital()
    yield "a blood pressure", blood_pressure()
    yield "a newborn", patient()
    yield "newborn, mother and a report", family()
    yield "a document", document()
    yield "a narrative", narrated("<p>text <b>bold</b><br/></p>")
    for code, unit in (("8867-4", "/min"), ("9279-1", "/min"), ("8310-5", "Cel"), ("8302-2", "cm"), ("9843-4", "cm")):
        yield f"vital sign {code}", vital(code, "40", unit)
    for type_name, value in PRIMITIVES.items():
        if type_name not in ("xhtml",):
            yield f"a {type_name}", primitive(type_name, value)


def primitive(type_name: str, value: Any) -> Resource:
    """A resource that holds one primitive."""
    name = f"value{type_name[0].upper()}{type_name[1:]}"
    return resource("Basic", {"extension": [{"url": URL, name: value}]})


#: values that a primitive may not have; FHIR R4, datatypes.html
BAD_PRIMITIVES: dict[str, tuple[Any, ...]] = {
    "base64Binary": ("A", "AAA=A", 1),
    "boolean": ("true", 1),
    "canonical": ("a b", ""),
    "code": (" x", "x  y", "x ", ""),
    "date": ("2024-02-30", "2024-13-01", "2024-5-1", "01.05.2024", "24", "2024-05-01T08:00:00Z"),
    "dateTime": ("2024-05-01T08:00:00", "2024-05-01T08:00Z", "2024-02-30T08:00:00Z", "2024-05-01T25:00:00Z",
                 "2024-05-01 08:00:00Z", "now"),
    "decimal": ("1.0", True),
    "id": ("a_b", "x" * 65, "a b"),
    "instant": ("2024-05-01", "2024-05-01T08:00:00", "2024-05-01T08:00:00+0200"),
    "integer": ("1", 2147483648, True),
    "markdown": ("", 1),
    "oid": ("urn:oid:3.1", "1.2.3", "urn:oid:1..2"),
    "positiveInt": (0, -1, "1"),
    "string": ("", 1, True),
    "time": ("8:00", "24:01:00", "08:00:00Z", "08:60:00"),
    "unsignedInt": (-1, "0"),
    "uri": ("a b", "", "urn:uuid:1"),
    "url": ("a b", ""),
    "uuid": ("urn:uuid:1", "0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a01"),
}  # fmt: skip


def faults() -> Iterator[Fault]:
    """All faults."""
    for type_name, values in BAD_PRIMITIVES.items():
        for number, value in enumerate(values):
            rule = "value-format" if is_json_type(type_name, value) else "wrong-json-type"
            yield f"bad {type_name} {number}", rule if value != "" else "empty", primitive(type_name, value)
    for group in (
        _structure(),
        _references(),
        _terminology(),
        _bindings(),
        _vital_signs(),
        _bundles(),
        _narratives(),
    ):
        yield from group


def _structure() -> Iterator[Fault]:
    yield "element not of R4", "unknown-element", {**finding(), "colour": "red"}
    yield "element not of a datatype", "unknown-element", changed(vital(), "valueQuantity.colour", "red")
    yield "element of R5", "unknown-element", {**finding(), "triggeredBy": []}
    yield "element of STU3", "unknown-element", {**finding(), "comment": "text"}
    yield "value without its type", "unknown-element", {**changed(finding(), "valueString", ...), "value": "flat"}
    yield "two types of a choice", "choice-twice", {**finding(), "valueBoolean": True}
    yield (
        "type that a choice has not",
        "unknown-element",
        {**changed(finding(), "valueString", ...), "valueAddress": TEXT},
    )
    yield "no status", "missing-element", changed(finding(), "status", ...)
    yield "no code", "missing-element", changed(finding(), "code", ...)
    yield "no type of bundle", "missing-element", changed(family(), "type", ...)
    yield "no url of an extension", "missing-element", changed(patient(), "_birthDate.extension.0.url", ...)
    yield "single where it repeats", "not-an-array", {**patient(), "name": {"text": "Invented"}}
    yield "array where it is single", "not-single", {**finding(), "code": [TEXT]}
    yield "empty array", "empty", {**patient(), "name": []}
    yield "empty object", "empty", changed(finding(), "code", {})
    yield "empty string", "empty", changed(finding(), "valueString", "")
    yield "null", "null", {**finding(), "valueString": None}
    yield "null in an array", "null", changed(patient(), "name.0.given", ["Invented", None])
    yield "string for an object", "wrong-json-type", {**finding(), "code": "text"}
    yield "object for a string", "wrong-json-type", {**finding(), "valueString": TEXT}
    yield "number for a code", "wrong-json-type", {**finding(), "status": 1}
    yield "decimal in quotes", "wrong-json-type", changed(vital(), "valueQuantity.value", "3.10")
    yield "no such resource", "unknown-resource-type", {"resourceType": "Newborn"}
    yield "no resource type", "unknown-resource-type", {"status": "final"}
    yield "contained without type", "unknown-resource-type", {**finding(), "contained": [{"id": "x"}]}
    yield (
        "no such contained resource",
        "unknown-resource-type",
        {**finding(), "contained": [{"resourceType": "Newborn", "id": "x"}]},
    )
    yield "siblings of other length", "sibling-length", changed(patient(), "name.0._given", [None, {"id": "x"}])
    yield "sibling of an object", "unknown-element", {**finding(), "_code": {"id": "x"}}
    yield "sibling is a string", "wrong-json-type", {**patient(), "_gender": "x"}
    yield "an id alone", "ele-1", {**finding(), "method": {"id": "x"}}
    for type_name in (
        "Bundle",
        "Encounter",
        "Composition",
        "DiagnosticReport",
        "Provenance",
        "RelatedPerson",
        "Questionnaire",
        "QuestionnaireResponse",
        "MessageHeader",
        "Task",
        "Flag",
        "DocumentReference",
        "CodeSystem",
        "ValueSet",
        "StructureDefinition",
        "CapabilityStatement",
        "OperationOutcome",
    ):
        made = resource(type_name)
        yield f"unknown element of {type_name}", "unknown-element", {**made, "colour": "red"}
        for name in [n for n in made if n != "resourceType"]:
            broken = {key: value for key, value in made.items() if key != name}
            if name not in ("name", "differential", "rest", "description", "baseDefinition", "derivation"):
                yield f"{type_name} without {name}", "missing-element", broken


def _references() -> Iterator[Fault]:
    yield "subject is a Practitioner", "reference-type", changed(finding(), "subject.reference", "Practitioner/1")
    yield (
        "absolute to a Practitioner",
        "reference-type",
        changed(finding(), "subject.reference", "http://example.org/fhir/Practitioner/1"),
    )
    yield "type against reference", "reference-type", changed(finding(), "subject.type", "Device")
    yield "type of no resource", "reference-type", changed(finding(), "subject.type", "Colour")
    yield "bare id", "reference-form", changed(finding(), "subject.reference", "p1")
    yield "contained that is not there", "ref-1", changed(finding(), "subject.reference", "#p1")
    yield (
        "contained of a wrong type",
        "reference-type",
        {
            **changed(finding(), "subject.reference", "#p"),
            "contained": [{"resourceType": "Practitioner", "id": "p", "active": True}],
        },
    )
    yield "member of a wrong type", "reference-type", {**finding(), "hasMember": [{"reference": "Patient/1"}]}
    yield "id with a forbidden character", "reference-form", changed(finding(), "subject.reference", "Patient/a_b")


def _terminology() -> Iterator[Fault]:
    yield "LOINC check digit", "loinc-check-digit", {**finding(), "code": loinc("8867-5")}
    yield (
        "SNOMED CT check digit",
        "snomed-check-digit",
        {**finding(), "code": {"coding": [{"system": "http://snomed.info/sct", "code": "249062005"}]}},
    )
    yield "not UCUM", "ucum-grammar", changed(finding(), "referenceRange.0.low", quantity("1", "bpm"))
    yield (
        "system with a slash",
        "code-system-url",
        {**finding(), "code": {"coding": [{"system": "http://loinc.org/", "code": "8867-4"}]}},
    )
    yield (
        "no such code of HL7",
        "unknown-code",
        {
            **finding(),
            "category": [
                {
                    "coding": [
                        {
                            "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                            "code": "examination",
                        }
                    ]
                }
            ],
        },
    )
    yield (
        "no such interpretation",
        "unknown-code",
        {
            **finding(),
            "interpretation": [
                {
                    "coding": [
                        {
                            "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation",
                            "code": "NORMAL",
                        }
                    ]
                }
            ],
        },
    )
    yield (
        "LOINC code as SNOMED CT",
        "code-system-swapped",
        {**finding(), "code": {"coding": [{"system": "http://snomed.info/sct", "code": "8867-4"}]}},
    )
    yield (
        "SNOMED CT code as LOINC",
        "code-system-swapped",
        {**finding(), "code": {"coding": [{"system": "http://loinc.org", "code": "73211009"}]}},
    )
    yield (
        "system that is no absolute URI",
        "code-system-form",
        {**finding(), "code": {"coding": [{"system": "codes", "code": "8867-4"}]}},
    )


def _bindings() -> Iterator[Fault]:
    for type_name, name in (
        ("Observation", "status"),
        ("Patient", "gender"),
        ("Bundle", "type"),
        ("Encounter", "status"),
        ("DiagnosticReport", "status"),
        ("Composition", "status"),
        ("Task", "intent"),
        ("Questionnaire", "status"),
        ("DocumentReference", "status"),
    ):
        yield f"{type_name}.{name}", "code-not-in-value-set", resource(type_name, {name: "unheard-of"})
    yield "use of a name", "code-not-in-value-set", changed(patient(), "name.0.use", "ward")
    yield "comparator", "code-not-in-value-set", changed(vital(), "valueQuantity.comparator", "~")
    yield "language", "language-form", {**finding(), "language": "no language"}
    yield (
        "content type",
        "mime-form",
        {**patient(), "photo": [{"contentType": "no type", "url": "http://example.org/x"}]},
    )
    clinical = {"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "gone"}
    yield (
        "coded status of a condition",
        "code-not-in-value-set",
        resource("Condition", {"clinicalStatus": {"coding": [clinical]}}),
    )
    yield "status in words", "code-missing", resource("Condition", {"clinicalStatus": TEXT})


def _vital_signs() -> Iterator[Fault]:
    """With the profile claimed: only then does the judge, as it is packed, apply it; ours goes by the code too."""
    weight, pressure = ({"profile": [f"{STANDARD}/{name}"]} for name in ("bodyweight", "bp"))
    for name, rule, made in _vital_sign_faults():
        code = made["code"].get("coding", [{}])[0].get("code")
        claimed = {"29463-7": weight, "85354-9": pressure}.get(code)
        yield name, rule, {**made, "meta": claimed} if claimed else made


def _vital_sign_faults() -> Iterator[Fault]:
    yield "no category", "vital-sign-category", changed(vital(), "category", ...)
    yield "other category", "vital-sign-category", changed(vital(), "category.0.coding.0.code", "exam")
    yield "no subject", "vital-sign-subject", changed(vital(), "subject", ...)
    yield "no time", "vital-sign-effective", changed(vital(), "effectiveDateTime", ...)
    yield "no value", "vs-2", changed(vital(), "valueQuantity", ...)
    yield "year alone", "vs-1", changed(vital(), "effectiveDateTime", "2024")
    yield "unit of another sign", "vital-sign-unit", changed(vital(), "valueQuantity.code", "cm")
    yield "unit not UCUM", "vital-sign-unit", changed(vital(), "valueQuantity.system", "http://example.org/units")
    yield "no unit", "vital-sign-quantity", changed(vital(), "valueQuantity.unit", ...)
    yield "value is a string", "vital-sign-value", {**changed(vital(), "valueQuantity", ...), "valueString": "3 kg"}
    yield "one pressure", "vital-sign-component", changed(blood_pressure(), "component.1", ...)
    yield "no value of a component", "vs-3", changed(blood_pressure(), "component.1.valueQuantity", ...)
    yield "pressure in kPa", "vital-sign-unit", changed(blood_pressure(), "component.0.valueQuantity.code", "kPa")
    yield (
        "profile without its code",
        "vital-sign-code",
        {**finding(), "meta": {"profile": ["http://hl7.org/fhir/StructureDefinition/heartrate"]}},
    )
    asleep = {"coding": [{"system": "http://example.org/states", "code": "asleep"}]}
    yield (
        "coded detail of a vital sign",
        "vital-sign-component-unit",
        {**vital(), "component": [{"code": TEXT, "valueCodeableConcept": asleep}]},
    )


def _bundles() -> Iterator[Fault]:
    yield "malformed UUID", "full-url-form", changed(family(), "entry.4.fullUrl", "urn:uuid:5")
    yield (
        "UUID in capitals",
        "full-url-form",
        changed(
            changed(family(), "entry.0.fullUrl", CHILD.upper().replace("URN:UUID", "urn:uuid")),
            "entry",
            [{"fullUrl": CHILD.upper().replace("URN:UUID", "urn:uuid"), "resource": patient()}],
        ),
    )
    yield "relative full URL", "full-url-form", bundle("collection", {**ENTRY, "fullUrl": "Patient/1"})
    yield (
        "reference to no entry",
        "unresolved-reference",
        changed(family(), "entry.1.resource.subject.reference", "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0aff"),
    )
    yield (
        "entry of a wrong type",
        "reference-target",
        changed(family(), "entry.1.resource.subject.reference", "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a05"),
    )
    yield (
        "full URL of another id",
        "full-url-id",
        bundle("collection", {"fullUrl": "http://example.org/fhir/Patient/2", "resource": ENTRY["resource"]}),
    )
    yield "document with a loose entry", "unreachable-entry", document(entry=[*document()["entry"], ENTRY])
    yield "no full URL in a collection", "full-url-missing", bundle("collection", {"resource": ENTRY["resource"]})
    yield "fault of an entry", "missing-element", changed(family(), "entry.1.resource.status", ...)


def _narratives() -> Iterator[Fault]:
    for number, inside in enumerate((
        "<script>x</script>", "<p onclick='x'>x</p>", "<form>x</form>", "<iframe src='http://example.org'/>",
        "<object>x</object>", "<p>x", "&nbsp;x", "<style>x</style>", "<input value='x'/>", "<p colour='red'>x</p>",
        "<link href='http://example.org'/>",
    )):  # fmt: skip
        yield f"narrative {number}", "txt-1", narrated(inside)
    yield "empty paragraph", "txt-2", narrated("<p> </p>")
    yield "not XHTML", "txt-1", {**narrated("x"), "text": {"status": "generated", "div": "text"}}
    yield "no namespace", "txt-1", {**narrated("x"), "text": {"status": "generated", "div": "<div>text</div>"}}
    yield "no div", "missing-element", {**narrated("x"), "text": {"status": "generated"}}
