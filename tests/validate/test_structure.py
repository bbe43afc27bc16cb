from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class
from fhir_strategies import resources
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from sample_resources import (
    Resource,
    blood_pressure,
    changed,
    document,
    family,
    finding,
    patient,
    quantity,
    vital,
)

from adapter.fhir.definitions import resource_types
from adapter.fhir.json import dumps, loads
from adapter.problems import Layer, Severity
from adapter.validate import Validator, validate
from adapter.validate.second_opinion import check_with_models
from drawn import drawn
from tests.fhir_xml.official_package import files_of

# (resource, place changed, new value, rule, where): the rules are those of FHIR R4 json.html (JSON types,
# arrays, null, empty content), datatypes.html (primitives), formats.html (choice), terminologies.html
# (required bindings), references.html, and the resources' definitions (names, cardinality, targets)
BROKEN: list[tuple[Resource, str, Any, str, str]] = [
    (finding(), "colour", "red", "unknown-element", "Observation.colour"),
    (finding(), "value", "x", "unknown-element", "Observation.value"),
    (finding(), "_code", {"id": "x"}, "unknown-element", "Observation._code"),
    (finding(), "code.colour", 1, "unknown-element", "Observation.code.colour"),
    (finding(), "valueAddress", {"text": "x"}, "unknown-element", "Observation.valueAddress"),
    (patient(), "meta", {"profile": ["StructureDefinition/a"]}, "value-format", "Patient.meta.profile[0]"),
    (patient(), "meta", {"profile": ["a b"]}, "value-format", "Patient.meta.profile[0]"),
    (finding(), "status", ..., "missing-element", "Observation.status"),
    (finding(), "code", ..., "missing-element", "Observation.code"),
    (finding(), "component.0.code", ..., "missing-element", "Observation.component[0].code"),
    (finding(), "valueBoolean", True, "choice-twice", "Observation.valueBoolean"),
    (finding(), "component.0.valueInteger", 1, "choice-twice", "Observation.component[0].valueInteger"),
    (finding(), "status", ["final"], "not-single", "Observation.status"),
    (finding(), "component", {"code": {"text": "x"}}, "not-an-array", "Observation.component"),
    (finding(), "category", [], "empty", "Observation.category"),
    (finding(), "code", {}, "empty", "Observation.code"),
    (finding(), "code.text", "", "empty", "Observation.code.text"),
    (finding(), "issued", None, "null", "Observation.issued"),
    (finding(), "note", [None], "null", "Observation.note[0]"),
    (patient(), "name.0.given", [None], "null", "Patient.name[0].given[0]"),
    (finding(), "status", True, "wrong-json-type", "Observation.status"),
    (finding(), "code", "x", "wrong-json-type", "Observation.code"),
    (patient(), "active", "true", "wrong-json-type", "Patient.active"),
    (vital(), "valueQuantity.value", "3.10", "wrong-json-type", "Observation.valueQuantity.value"),
    (vital(), "valueQuantity.value", True, "wrong-json-type", "Observation.valueQuantity.value"),
    (patient(), "multipleBirthInteger", Decimal("1.5"), "wrong-json-type", "Patient.multipleBirthInteger"),
    (patient(), "multipleBirthInteger", 2**31, "value-format", "Patient.multipleBirthInteger"),
    (patient(), "telecom", [{"rank": 0}], "value-format", "Patient.telecom[0].rank"),
    (patient(), "photo", [{"size": -1}], "value-format", "Patient.photo[0].size"),
    (patient(), "birthDate", "2023-02-29", "value-format", "Patient.birthDate"),
    (patient(), "birthDate", "01.05.2024", "value-format", "Patient.birthDate"),
    (finding(), "effectiveDateTime", "2024-05-01T07:00:00", "value-format", "Observation.effectiveDateTime"),
    (finding(), "effectiveDateTime", "2024-05-01T07:00+02:00", "value-format", "Observation.effectiveDateTime"),
    (finding(), "issued", "2024-05-01", "value-format", "Observation.issued"),
    (finding(), "id", "x" * 65, "value-format", "Observation.id"),
    (finding(), "id", "a_b", "value-format", "Observation.id"),
    (finding(), "code.coding", [{"code": " x"}], "value-format", "Observation.code.coding[0].code"),
    (finding(), "implicitRules", "a b", "value-format", "Observation.implicitRules"),
    (finding(), "code.text", "a\x07b", "value-format", "Observation.code.text"),
    (patient(), "photo", [{"data": "abc", "contentType": "x/y"}], "value-format", "Patient.photo[0].data"),
    (finding(), "status", "done", "code-not-in-value-set", "Observation.status"),
    (patient(), "gender", "F", "code-not-in-value-set", "Patient.gender"),
    (patient(), "link", [{"other": {"reference": "Patient/x"}, "type": "see-also"}], "code-not-in-value-set",
     "Patient.link[0].type"),
    (patient(), "_birthDate", [{"id": "x"}], "wrong-json-type", "Patient._birthDate"),
    (patient(), "_birthDate", {}, "empty", "Patient._birthDate"),
    (patient(), "name.0._given", [None, {"id": "x"}], "sibling-length", "Patient.name[0]._given"),
    (patient(), "name.0._given", {"id": "x"}, "not-an-array", "Patient.name[0]._given"),
    (patient(), "name.0._given", ["x"], "wrong-json-type", "Patient.name[0]._given[0]"),
    (finding(), "resourceType", "Observatoin", "unknown-resource-type", "Observatoin"),
    (finding(), "resourceType", ..., "unknown-resource-type", "Resource"),
    (finding(), "contained", [{"resourceType": "Patient", "colour": 1}], "unknown-element",
     "Observation.contained[0].colour"),
    (finding(), "contained", ["x"], "wrong-json-type", "Observation.contained[0]"),
    (family(), "entry.1.resource.status", "done", "code-not-in-value-set", "Bundle.entry[1].resource.status"),
    (family(), "type", "set", "code-not-in-value-set", "Bundle.type"),
    (finding(), "subject.reference", "Practitioner/1", "reference-type", "Observation.subject.reference"),
    (finding(), "subject.reference", "http://example.org/fhir/Practitioner/1", "reference-type",
     "Observation.subject.reference"),
    (finding(), "subject.type", "Practitioner", "reference-type", "Observation.subject.type"),
    (finding(), "subject.type", "Colour", "reference-type", "Observation.subject.type"),
    (finding(), "subject.reference", "p1", "reference-form", "Observation.subject.reference"),
    (finding(), "subject.reference", "patient/p1", "reference-form", "Observation.subject.reference"),
]  # fmt: skip

VALID = [finding(), vital(), blood_pressure(), patient(), family(), document()]
SEASONED = Validator()
"""One that has seen much, and keeps what it found sound."""


@pytest.mark.parametrize("resource", VALID, ids=lambda r: r["resourceType"])
def test_a_valid_resource_has_no_problem_in_any_layer(resource: Resource) -> None:
    assert validate(resource) == []


@pytest.mark.parametrize(("resource", "path", "value", "rule", "where"), BROKEN)
def test_one_broken_resource_a_rule(resource: Resource, path: str, value: Any, rule: str, where: str) -> None:
    broken = changed(resource, path, value)
    found = validate(broken, layers=[Layer.STRUCTURE])
    assert (rule, where) in {(p.rule, p.where) for p in found}
    assert all(p.severity is Severity.ERROR and p.remedy and p.what for p in found)
    assert len(found) == 1 or rule in ("reference-type", "unknown-element", "choice-twice", "sibling-length")


def test_problems_carry_file_and_line() -> None:
    [problem] = validate(changed(finding(), "status", ...), layers=[Layer.STRUCTURE], file="a.ndjson", line=7)
    assert (problem.file, problem.line, problem.layer) == ("a.ndjson", 7, Layer.STRUCTURE)


def test_a_near_name_is_offered() -> None:
    found = {p.where: p for p in validate({**finding(), "statsu": "x"}, layers=[Layer.STRUCTURE])}
    assert "'status'" in found["Observation.statsu"].remedy
    [problem] = validate(changed(patient(), "gender", "femal"), layers=[Layer.STRUCTURE])
    assert "'female'" in problem.remedy


def test_no_value_of_the_patient_is_in_a_message() -> None:
    secret = "Baby Miller"
    broken = changed(changed(patient(), "birthDate", secret), "gender", secret)
    broken = changed(broken, "name.0.family", {"x": secret})
    found = validate(broken)
    assert len(found) >= 3
    assert not any(secret in str(problem) for problem in found)


def test_a_primitive_may_have_an_extension_instead_of_its_value() -> None:
    reason = {"extension": [{"url": "http://example.org/why", "valueCode": "unknown"}]}
    made = changed(finding(), "status", ...)
    assert validate({**made, "_status": reason}, layers=[Layer.STRUCTURE]) == []
    named = changed(patient(), "name.0", {"given": [None, "B"], "_given": [reason, None]})
    assert validate(named, layers=[Layer.STRUCTURE]) == []


@drawn(120)
@given(st.sampled_from(sorted(resource_types())).flatmap(resources))
def test_what_is_made_from_the_definitions_is_found_well_formed(resource: Resource) -> None:
    assert validate(resource, layers=[Layer.STRUCTURE]) == []
    # the R4B models may dissent, but never make an error of it
    dissent = validate(resource, layers=[Layer.STRUCTURE], second_opinion=True)
    assert {p.rule for p in dissent} <= {"r4b-model"}
    assert not dissent.errors


def test_the_official_package_raises_no_false_alarm(fhir_package: Path) -> None:
    """Published resources as examples: every tenth of those whose type the table holds, every layer."""
    checked = 0
    for name, content in list(files_of(fhir_package).items())[3::10]:
        if name.partition("-")[0] in resource_types():
            found = validate(loads(content))
            assert {(p.rule, p.where) for p in found.errors} == WRONG_IN_THE_PACKAGE.get(name, set()), name
            assert {p.rule for p in found.warnings} <= EXPECTED_WARNINGS, name
            checked += 1
    assert checked > 200


# warnings of R4 itself about its own definitions: names that are no identifiers, paths like "value[x]:slice"
EXPECTED_WARNINGS = {
    "code-outside-extensible",
    "csd-0",
    "vsd-0",
    "cmd-0",
    "sdf-0",
    "cpb-0",
    "opd-0",
    "spd-0",
    "nsd-0",
    "eld-20",
}


# datatypes.html#uri asks for UUIDs in lower case, these have capitals
# the standard's engine refuses both: a UUID in capitals, a canonical that is not absolute
WRONG_IN_THE_PACKAGE = {
    "CapabilityStatement-example.json": {
        ("value-format", "CapabilityStatement.url"),
        ("value-format", "CapabilityStatement.messaging[0].supportedMessage[0].definition"),
    }
}

KEYS = """
resourceType entry resource fullUrl request status code coding system value valueQuantity subject reference
contained component extension url text div meta link identifier _status start end
"""
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(KEYS.split()),
            inner,
            max_size=4,
        )
    ),
    max_leaves=15,
)


@drawn(300)
@given(st.sampled_from(VALID), JSON, st.data())
def test_nothing_is_raised_for_any_json(resource: Resource, junk: Any, data: st.DataObject) -> None:
    """Junk in place of any value of a valid resource, or of the whole; what was sound before changes no judgement."""
    validate(junk)
    assert SEASONED.validate(resource) == []
    here: Any = loads(dumps(resource))
    whole = here
    while True:
        key = data.draw(st.sampled_from(sorted(here) if isinstance(here, dict) else range(len(here))))
        if not isinstance(here[key], dict | list) or not here[key] or data.draw(st.booleans()):
            here[key] = junk
            break
        here = here[key]
    assert SEASONED.validate(whole) == validate(whole)


def test_what_is_sound_in_one_element_is_judged_anew_in_another() -> None:
    """R4 binds Observation.interpretation extensibly to ObservationInterpretation, and method to nothing."""
    validator, concept = Validator(), {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]}
    assert validator.validate({**vital(), "method": concept}) == []
    outside = {**vital(), "interpretation": [concept]}
    assert validator.validate(outside) == validate(outside) != []
    led_out = {"coding": [], "extension": [{"url": "http://example.org/x", "valueReference": {"reference": "#m"}}]}
    within = {**vital(), "method": {**led_out, "coding": concept["coding"]}, "contained": [{**patient(), "id": "m"}]}
    assert validator.validate(within) == []
    assert validator.validate({**within, "contained": [{**patient(), "id": "n"}]}) != []


def test_depth_is_a_problem_not_a_crash() -> None:
    deep: dict[str, Any] = {"url": "http://example.org/x", "valueString": "x"}
    for _ in range(3000):
        deep = {"url": "http://example.org/x", "extension": [deep]}
    assert [p.rule for p in validate({**finding(), "extension": [deep]})] == ["too-deep"]


def test_a_quantity_keeps_its_digits_through_validation() -> None:
    assert validate({**vital(), "valueQuantity": quantity("3.100", "kg")}) == []


# --- the models of fhir.resources as second opinion -------------------------------------------------------


def test_the_models_see_what_is_missing_and_only_warn() -> None:
    [problem] = check_with_models(changed(finding(), "status", ...), found=[])
    assert (problem.rule, problem.severity) == ("r4b-model", Severity.WARNING)
    assert list(check_with_models(finding(), found=[])) == []


def test_every_type_of_r4_is_known() -> None:
    condition = {"resourceType": "Condition", "subject": {"reference": "Patient/p1"}}
    assert validate(condition, layers=[Layer.STRUCTURE]) == []
    found = validate({"resourceType": "Condition", "colour": 1}, layers=[Layer.STRUCTURE])
    assert {(p.rule, p.where) for p in found} == {
        ("unknown-element", "Condition.colour"),
        ("missing-element", "Condition.subject"),
    }


def test_a_fault_is_said_once() -> None:
    for broken in (changed(finding(), "status", ...), changed(finding(), "colour", 1)):
        assert len(validate(broken, second_opinion=True)) == 1


MODELS_CHECK_TOO = ("unknown-element", "choice-twice", "not-single", "missing-element")


@pytest.mark.parametrize("case", [case for case in BROKEN if case[3] in MODELS_CHECK_TOO])
def test_table_and_models_agree_that_it_is_broken(case: tuple[Resource, str, Any, str, str]) -> None:
    """fhir.resources is the other judge of names and cardinality; the table's word is tested above."""
    broken = changed(*case[:3])
    with pytest.raises(ValidationError):
        get_fhir_model_class(broken["resourceType"]).model_validate(broken)


@pytest.mark.parametrize(
    "canonical", ["http://example.org/q|1.0", "urn:uuid:53fefa32-fcbb-4ff8-8a92-55ee120877b7", "#q"]
)
def test_canonicals_that_are_absolute_or_of_the_same_resource(canonical: str) -> None:
    """FHIR R4 references.html#canonical."""
    made = {"resourceType": "QuestionnaireResponse", "status": "completed", "questionnaire": canonical}
    assert validate(made, layers=[Layer.STRUCTURE]) == []


def test_white_space_in_base64_is_warned_of() -> None:
    """RFC 4648 section 3.1; the expression of R4 allows it, the standard's engine warns."""
    made = {"resourceType": "Binary", "contentType": "text/plain", "data": "AAAA AAAA"}
    [problem] = validate(made, layers=[Layer.STRUCTURE])
    assert (problem.rule, problem.severity, problem.where) == ("base64-space", Severity.WARNING, "Binary.data")
    assert validate({**made, "data": "AAAAAAAA"}, layers=[Layer.STRUCTURE]) == []


def test_a_flood_of_unknown_elements_is_told_in_one_line() -> None:
    flooded = patient() | {f"k{number}": 1 for number in range(300)}
    problems = validate(flooded, layers=[Layer.STRUCTURE])
    assert len(problems) == 101
    assert problems[-1].what.startswith("200 more elements")
    assert problems[-1].where == "Patient"


EXTENSION = {"url": "x", "valueString": "text"}
NESTED = {"url": "http://example.org/fhir/StructureDefinition/x", "extension": [EXTENSION]}
VALUES = {"resourceType": "ValueSet", "status": "draft", "url": "http://example.org/fhir/ValueSet/x"}


@pytest.mark.parametrize(
    ("kept", "broken", "rule", "where"),
    [
        # FHIR R4, datatypes.html#Identifier: system is the namespace; identifier-registry.html: urn:ietf:rfc:3986
        ({**patient(), "identifier": [{"system": "urn:oid:1.2.3", "value": "1"}]},
         {**patient(), "identifier": [{"system": "Measure/1", "value": "1"}]},
         "identifier-system", "Patient.identifier[0].system"),
        ({**patient(), "identifier": [{"system": "urn:ietf:rfc:3986", "value": "urn:oid:2.16.840.1.113883.19.5"}]},
         {**patient(), "identifier": [{"system": "urn:ietf:rfc:3986", "value": "2.16.840.1.113883.19.5"}]},
         "identifier-uri", "Patient.identifier[0].value"),
        # extensibility.html: the url of an extension is absolute, but within a complex extension
        ({**patient(), "extension": [NESTED]}, {**patient(), "extension": [EXTENSION]},
         "extension-url", "Patient.extension[0].url"),
        # the definitions: ValueSet.url and compose.include.system are "an absolute URI"
        (VALUES, {**VALUES, "url": "ValueSet/x"}, "canonical-url", "ValueSet.url"),
        ({**VALUES, "compose": {"include": [{"system": "http://example.org/x"}]}},
         {**VALUES, "compose": {"include": [{"system": "#x"}]}},
         "code-system-form", "ValueSet.compose.include[0].system"),
    ],
)  # fmt: skip
def test_uris_that_are_absolute(kept: Resource, broken: Resource, rule: str, where: str) -> None:
    assert validate(kept).errors == []
    assert (rule, where) in {(p.rule, p.where) for p in validate(broken)}


def test_no_other_url_need_be_absolute() -> None:
    """R4, Attachment.url: "relative or absolute"; a url of a resource that is no definition."""
    made = {**patient(), "photo": [{"contentType": "image/png", "url": "Binary/1"}]}
    assert validate(made).errors == []
