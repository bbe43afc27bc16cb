"""The vital signs profiles of R4 4.0.1, against the profiles in the official package."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from sample_resources import Resource, blood_pressure, changed, finding, loinc, patient, quantity, vital

from adapter.problems import Layer, Severity
from adapter.validate import validate
from adapter.validate.vital_signs import BLOOD_PRESSURE_UNITS, COMMON_UNITS, VITALS
from tests.fhir_xml.official_package import files_of


def rules(resource: Resource) -> set[tuple[str, str]]:
    return {(p.rule, p.where) for p in validate(resource, layers=[Layer.PROFILES])}


@pytest.fixture(scope="session")
def official(fhir_package: Path) -> dict[str, Any]:
    return {
        name.removesuffix(".json"): json.loads(content)
        for name, content in files_of(fhir_package).items()
        if name.startswith(("StructureDefinition-", "ValueSet-ucum-"))
    }


def units_of(official: dict[str, Any], element: dict[str, Any]) -> set[str]:
    if "fixedCode" in element:
        return {element["fixedCode"]}
    name = element["binding"]["valueSet"].partition("|")[0].rpartition("/")[2]
    includes = official[f"ValueSet-{name}"]["compose"]["include"]
    return {concept["code"] for include in includes for concept in include["concept"]}


@pytest.mark.parametrize("vital_sign", VITALS, ids=lambda v: v.profile)
def test_codes_and_units_are_those_of_the_official_profiles(official: dict[str, Any], vital_sign: Any) -> None:
    elements = official[f"StructureDefinition-{vital_sign.profile}"]["differential"]["element"]
    codes = [
        e["fixedCode"] for e in elements if e["id"].count(".") == 3 and "code.coding:" in e["id"] and "fixedCode" in e
    ]
    assert codes == [vital_sign.code]
    units = [units_of(official, e) for e in elements if e["id"] == "Observation.valueQuantity.code"]
    assert units == ([set(vital_sign.units)] if vital_sign.units else [])
    parts = [e for e in elements if e["id"].startswith("Observation.component:")]
    fixed = {e["fixedCode"] for e in parts if "code.coding" in e["id"] and "fixedCode" in e}
    assert fixed == set(vital_sign.components)
    for element in parts:
        if element["id"].endswith("valueQuantity.code"):
            assert units_of(official, element) == set(BLOOD_PRESSURE_UNITS)


def test_the_units_of_components_are_those_of_the_official_binding(official: dict[str, Any]) -> None:
    elements = official["StructureDefinition-vitalsigns"]["differential"]["element"]
    [bound] = [e for e in elements if e["id"] == "Observation.component.value[x]"]
    assert bound["binding"]["strength"] == "required"
    assert units_of(official, bound) == set(COMMON_UNITS)


VALID = [
    vital("8867-4", "140", "/min"),
    vital("9279-1", "44", "/min"),
    vital("8310-5", "36.8", "Cel"),
    vital("8310-5", "98.2", "[degF]"),
    vital("2708-6", "98", "%"),
    vital("29463-7", "3100", "g"),
    vital("8302-2", "50.0", "cm"),
    vital("9843-4", "34.5", "cm"),
    blood_pressure(),
    changed(vital("85353-1"), "valueQuantity", ...) | {"hasMember": [{"reference": "Observation/w"}]},
    changed(vital(), "valueQuantity", ...) | {"dataAbsentReason": {"text": "not weighed"}},
    changed(vital(), "effectiveDateTime", ...) | {"effectivePeriod": {"start": "2024-05-01"}},
    finding(),
]


@pytest.mark.parametrize("resource", VALID)
def test_vital_signs_that_meet_the_profiles(resource: Resource) -> None:
    assert rules(resource) == set()


CLAIMED = vital() | {"meta": {"profile": ["http://hl7.org/fhir/StructureDefinition/vitalsigns"]}}

BROKEN: list[tuple[Resource, str, Any, str, str]] = [
    (vital(), "category", ..., "vital-sign-category", "Observation.category"),
    (vital(), "category.0.coding.0.system", "http://example.org/c", "vital-sign-category", "Observation.category"),
    (vital(), "subject", ..., "vital-sign-subject", "Observation.subject"),
    (vital(), "effectiveDateTime", ..., "vital-sign-effective", "Observation.effective"),
    (vital(), "effectiveDateTime", "2024-05", "vs-1", "Observation.effectiveDateTime"),
    (vital(), "valueQuantity", ..., "vs-2", "Observation"),
    (blood_pressure(), "component.0.valueQuantity", ..., "vs-3", "Observation.component[0]"),
    (vital(), "valueQuantity.value", ..., "vital-sign-quantity", "Observation.valueQuantity.value"),
    (vital(), "valueQuantity.unit", ..., "vital-sign-quantity", "Observation.valueQuantity.unit"),
    (vital(), "valueQuantity.system", ..., "vital-sign-quantity", "Observation.valueQuantity.system"),
    (vital(), "valueQuantity.code", ..., "vital-sign-quantity", "Observation.valueQuantity.code"),
    (vital(), "valueQuantity.system", "http://example.org/u", "vital-sign-unit", "Observation.valueQuantity.system"),
    (vital(), "valueQuantity.code", "[oz_av]", "vital-sign-unit", "Observation.valueQuantity.code"),
    (vital("8867-4", "140", "/min"), "valueQuantity.code", "{beats}/min", "vital-sign-unit",
     "Observation.valueQuantity.code"),
    (blood_pressure(), "component.1.valueQuantity.code", "kPa", "vital-sign-unit",
     "Observation.component[1].valueQuantity.code"),
    (blood_pressure(), "component.1.code", loinc("8478-0"), "vital-sign-component", "Observation.component"),
    (blood_pressure(), "valueQuantity", quantity("70", "mm[Hg]"), "vital-sign-value", "Observation.value"),
    (changed(vital(), "valueQuantity", ...), "valueString", "3 kg", "vital-sign-value", "Observation.value"),
    (VALID[9], "hasMember", ..., "vital-sign-members", "Observation.hasMember"),
    (VALID[9], "valueString", "x", "vital-sign-value", "Observation.value"),
    (CLAIMED, "component", [{"code": {"text": "counted"}, "valueQuantity": quantity("60", "s")}],
     "vital-sign-component-unit", "Observation.component[0].valueQuantity.code"),
    (CLAIMED, "component", [{"code": {"text": "state"}, "valueCodeableConcept": {"text": "asleep"}}],
     "vital-sign-component-unit", "Observation.component[0].valueCodeableConcept"),
    (finding(), "meta", {"profile": ["http://hl7.org/fhir/StructureDefinition/heartrate"]}, "vital-sign-code",
     "Observation.code"),
    (finding(), "meta", {"profile": ["http://hl7.org/fhir/StructureDefinition/vitalsigns|4.0.1"]},
     "vital-sign-category", "Observation.category"),
]  # fmt: skip


@pytest.mark.parametrize(("resource", "path", "value", "rule", "where"), BROKEN)
def test_one_broken_resource_a_rule(resource: Resource, path: str, value: Any, rule: str, where: str) -> None:
    assert (rule, where) not in rules(resource)
    assert (rule, where) in rules(changed(resource, path, value))


def test_a_more_specific_code_may_stand_beside_the_profiles_code() -> None:
    made = vital("8310-5", "36.8", "Cel")
    made["code"]["coding"].insert(0, {"system": "http://loinc.org", "code": "8328-7"})
    assert rules(made) == set()


def test_other_components_may_be_numbers_without_unit() -> None:
    made = changed(vital(), "component", [{"code": {"text": "counted seconds"}, "valueInteger": 60}])
    assert rules(made) == set()


def test_other_resources_are_left_alone() -> None:
    assert rules(patient()) == set()


def test_another_unit_of_a_component_is_warned_of_where_no_profile_of_r4_is_claimed() -> None:
    """Guides that build on R4 give components other units: US Core pulse oximetry has oxygen flow in L/min."""
    flow = {"code": loinc("3151-8"), "valueQuantity": quantity("6", "L/min")}
    saturation = vital("2708-6", "95", "%") | {"component": [flow]}
    [problem] = validate(saturation, layers=[Layer.PROFILES])
    assert (problem.rule, problem.severity) == ("vital-sign-component-unit", Severity.WARNING)
