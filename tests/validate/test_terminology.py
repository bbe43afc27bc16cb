from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path

import pytest
import stdnum.luhn
import stdnum.verhoeff
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from sample_resources import Resource, changed, finding, patient, vital

from adapter.catalogue.checkdigits import loinc_is_valid, snomed_is_valid
from adapter.problems import Layer, Severity
from adapter.validate import validate
from adapter.validate.languages import is_known_language
from adapter.validate.ucum import ParsedUnit, read_unit
from tests.fhir_xml.official_package import files_of

# codes that two published sources agree on: LOINC table extracts, HL7 implementation guides, SNOMED CT Global
# Patient Set (September 2020)
LOINC = ["8867-4", "9279-1", "8310-5", "2708-6", "59408-5", "29463-7", "8302-2", "9843-4", "85354-9", "9272-6"]
SNOMED = ["52101004", "2667000", "7771000", "24028007", "51440002", "17621005", "263654008", "271825005"]
# codes found in public material that do not exist: their check digits are wrong
NOT_LOINC = ["44971-7", "33747-0", "8867-5", "88674", "8867-44", "-4", "", "LA33-6", "08867-4"]
NOT_SNOMED = ["30186005", "78243000", "52101005", "5210100", "", "052101004", "52101004 ", "12", "1" * 19]


@pytest.mark.parametrize("code", LOINC)
def test_loinc_codes_that_exist(code: str) -> None:
    assert loinc_is_valid(code)


@pytest.mark.parametrize("code", NOT_LOINC)
def test_loinc_codes_that_do_not_exist(code: str) -> None:
    assert not loinc_is_valid(code)


@pytest.mark.parametrize("code", SNOMED)
def test_snomed_codes_that_exist(code: str) -> None:
    assert snomed_is_valid(code)


@pytest.mark.parametrize("code", NOT_SNOMED)
def test_snomed_codes_that_do_not_exist(code: str) -> None:
    assert not snomed_is_valid(code)


@given(st.integers(1, 9_999_999), st.integers(0, 9))
def test_loinc_check_digits_agree_with_python_stdnum(body: int, digit: int) -> None:
    assert loinc_is_valid(f"{body}-{digit}") == stdnum.luhn.is_valid(f"{body}{digit}")


@given(st.integers(1_000, 10**15 - 1), st.sampled_from(["00", "10"]), st.integers(0, 9))
def test_snomed_check_digits_agree_with_python_stdnum(item: int, partition: str, digit: int) -> None:
    code = f"{item}{partition}{digit}"
    assert snomed_is_valid(code) == stdnum.verhoeff.is_valid(code)


def test_every_loinc_code_of_the_official_package_passes(fhir_package: Path) -> None:
    """LOINC codes in the value sets of the R4 package; all but its own placeholders 5-1 to 5-4."""
    codes = set()
    for name, content in files_of(fhir_package).items():
        if name.startswith("ValueSet-"):
            for include in json.loads(content).get("compose", {}).get("include", ()):
                if include.get("system") == "http://loinc.org":
                    codes |= {concept["code"] for concept in include.get("concept", ())}
    plain = {code for code in codes if code[0].isdigit()}
    assert len(plain) > 1000
    assert {code for code in plain if not loinc_is_valid(code)} <= {"5-1", "5-2", "5-3", "5-4"}


def rules(resource: dict[str, object]) -> list[tuple[str, str]]:
    return [(p.rule, p.where) for p in validate(resource, layers=[Layer.TERMINOLOGY])]


@pytest.mark.parametrize(
    ("system", "code", "rule"),
    [
        ("http://loinc.org", "8867-4", None),
        ("http://loinc.org", "LA27975-4", None),  # an answer code of the R4 package
        ("http://loinc.org", "8867-5", "loinc-check-digit"),
        ("http://loinc.org", "heart rate", "loinc-check-digit"),
        ("http://snomed.info/sct", "52101004", None),
        ("http://snomed.info/sct", "52101005", "snomed-check-digit"),
        ("http://snomed.info/sct", "Present", "snomed-check-digit"),
        ("http://snomed.info/sct", "71388002 |Procedure|: 405815000 |Device| = 122456005 |Laser|", None),
        ("http://snomed.info/sct", "52101004:272741003=7771001", "snomed-check-digit"),
        ("http://example.org/own", "8867-5", None),
    ],
)
def test_codes_in_any_coding(system: str, code: str, rule: str | None) -> None:
    made = changed(finding(), "code.coding", [{"system": system, "code": code}])
    assert rules(made) == ([(rule, "Observation.code.coding[0].code")] if rule else [])


@pytest.mark.parametrize("system", ["https://loinc.org", "http://snomed.info/sct/", "urn:oid:2.16.840.1.113883.6.1"])
def test_urls_of_code_systems_that_fhir_does_not_use(system: str) -> None:
    made = changed(finding(), "code.coding", [{"system": system}])
    assert rules(made) == [("code-system-url", "Observation.code.coding[0].system")]


@pytest.mark.parametrize(
    ("unit", "rule", "severity"),
    [
        ("kg", None, None),
        ("bpm", "ucum-grammar", Severity.ERROR),
        ("mmHg", "ucum-grammar", Severity.ERROR),
        ("lb", "ucum-grammar", Severity.ERROR),
        ("C", "ucum-suspicious", Severity.WARNING),  # coulomb
        ("F", "ucum-suspicious", Severity.WARNING),  # farad
        ("foo", "ucum-unknown", Severity.ERROR),
        ("ea", "ucum-unknown", Severity.ERROR),
        ("TAB", "ucum-unknown", Severity.ERROR),
        ("{tbl}", None, None),
    ],
)
def test_units(unit: str, rule: str | None, severity: Severity | None) -> None:
    made = changed(vital(), "valueQuantity.code", unit)
    found = validate(made, layers=[Layer.TERMINOLOGY])
    assert [(p.rule, p.severity) for p in found] == ([(rule, severity)] if rule else [])
    assert all(p.where == "Observation.valueQuantity.code" for p in found)


def test_units_of_another_system_are_left_alone() -> None:
    assert (
        rules(changed(vital(), "valueQuantity", {"value": 1, "system": "http://example.org/u", "code": "bpm"})) == []
    )


@pytest.mark.parametrize(
    "code",
    # The Unified Code for Units of Measure, section 2 (grammar) and its tables
    ["/min", "{beats}/min", "mm[Hg]", "[degF]", "10*3/uL", "mg/dL", "m/s2", "kg.m/s2", "%", "{score}", "1", "g/(8.h)",
     "/(kg.d)", "meq/L", "uU/mL", "cm[H2O]", "10^-9", "m-2", "d", "wk", "kg/m2", "[lb_av]", "mL/kg/d", "daL", "2.54"],
)  # fmt: skip
def test_units_that_are_ucum(code: str) -> None:
    assert read_unit(code) is ParsedUnit.VALID


@pytest.mark.parametrize(
    "code", ["", "kg/", "//min", "kg..m", "(kg", "kg)", "{x", "k g", "°C", "µg", "kg m", "mm Hg", "[lb_av", "g{a{b}}"]
)
def test_units_that_break_the_grammar(code: str) -> None:
    assert read_unit(code) is ParsedUnit.INVALID


def test_the_common_ucum_units_of_the_official_package_are_never_refused(fhir_package: Path) -> None:
    value_set = json.loads(files_of(fhir_package)["ValueSet-ucum-common.json"])
    codes = [c["code"] for include in value_set["compose"]["include"] for c in include["concept"]]
    readings = {code: read_unit(code) for code in codes}
    assert len(codes) > 1000
    assert [code for code in codes if readings[code] is ParsedUnit.INVALID] == []
    assert sum(reading is ParsedUnit.VALID for reading in readings.values()) > 1200  # the rest is unknown, a warning


@given(st.text("kgm/.(){}[]0123456789*^-+% ", max_size=15))
def test_any_text_is_judged(code: str) -> None:
    assert read_unit(code) in ParsedUnit


# --- code systems, versions, displays and bindings ----------------------------------------------------------


def coded(**coding: str) -> Resource:
    return changed(finding(), "code.coding", [coding])


ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
DRUG_FORM = "http://terminology.hl7.org/CodeSystem/v3-orderableDrugForm"
BCP47 = "urn:ietf:bcp:47"
LOINC, SNOMED = "http://loinc.org", "http://snomed.info/sct"


@pytest.mark.parametrize(
    ("resource", "rule", "where", "severity"),
    [
        (coded(system=SNOMED, code="8867-4"), "code-system-swapped", "Observation.code.coding[0].code", "error"),
        (coded(system=LOINC, code="73211009"), "code-system-swapped", "Observation.code.coding[0].code", "error"),
        (coded(system="my-codes", code="x"), "code-system-form", "Observation.code.coding[0].system", "error"),
        (coded(system=LOINC, code="8867-4", display="Temperature"), "display-differs",
         "Observation.code.coding[0].display", "warning"),
        (coded(system=SNOMED, code="73211009", version="2024"), "snomed-version",
         "Observation.code.coding[0].version", "warning"),
        # FHIR R4, valueset-observation-interpretation is extensible; v3-ActCode has no code NORMAL
        ({**finding(), "interpretation": [{"coding": [{"system": "http://example.org/x", "code": "n"}]}]},
         "code-outside-extensible", "Observation.interpretation[0]", "warning"),
        (coded(system=ACT_CODE, code="NORMAL"), "unknown-code", "Observation.code.coding[0].code", "error"),
        ({**patient(), "language": "English, please"}, "language-form", "Patient.language", "error"),
        ({**patient(), "photo": [{"contentType": "jpeg"}]}, "mime-form", "Patient.photo[0].contentType", "error"),
        # FHIR R4, Quantity.code: "in some unit representation system"; this one is HL7's own, and has TAB
        (changed(vital(), "valueQuantity", {"value": 1, "system": DRUG_FORM, "code": "Tab"}),
         "unknown-code", "Observation.valueQuantity.code", "error"),
        # R4 binds languages to all tags of BCP 47; ISO 639-1 has no xx. RFC 6838, section 4.2.7 has no foo
        ({**patient(), "language": "xx-CH"}, "language-unknown", "Patient.language", "error"),
        ({**patient(), "communication": [{"language": {"coding": [{"system": BCP47, "code": "zz"}]}}]},
         "language-unknown", "Patient.communication[0].language.coding[0].code", "error"),
        ({**patient(), "photo": [{"contentType": "foo/bar"}]}, "mime-unknown", "Patient.photo[0].contentType",
         "warning"),
        # FHIR R4, Condition.clinicalStatus: required binding of a CodeableConcept
        ({"resourceType": "Condition", "subject": {"reference": "Patient/1"}, "clinicalStatus": {"text": "well"}},
         "code-missing", "Condition.clinicalStatus", "error"),
    ],
)  # fmt: skip
def test_one_wrong_code_a_rule(resource: Resource, rule: str, where: str, severity: str) -> None:
    [problem] = [p for p in validate(resource, layers=[Layer.TERMINOLOGY]) if p.rule == rule]
    assert (problem.where, problem.severity.value) == (where, severity)
    assert problem.remedy


@pytest.mark.parametrize(
    ("language", "mime"),
    [("de-CH", "application/pdf"), ("EN", "Text/plain; charset=utf-8"), ("gsw", "image/svg+xml"), ("iw", "x-y/z")],
)
def test_languages_and_mime_types(language: str, mime: str) -> None:
    spoken = {"language": {"coding": [{"system": BCP47, "code": language}]}}
    made = {**patient(), "language": language, "communication": [spoken], "photo": [{"contentType": mime}]}
    assert validate(made, layers=[Layer.TERMINOLOGY]).errors == []
    assert {p.rule for p in validate(made, layers=[Layer.TERMINOLOGY])} <= {"code-outside-extensible"}


def test_every_language_of_the_official_package_is_known(fhir_package: Path) -> None:
    """The common languages that R4 lists (ValueSet languages)."""
    listed = json.loads(files_of(fhir_package)["ValueSet-languages.json"])
    tags = [concept["code"] for include in listed["compose"]["include"] for concept in include["concept"]]
    assert len(tags) > 50
    assert [tag for tag in tags if not is_known_language(tag)] == []


def test_a_quantity_in_a_code_of_hl7s_own() -> None:
    assert rules(changed(finding(), "referenceRange.0.low", {"value": 1, "system": DRUG_FORM, "code": "TAB"})) == []


@pytest.mark.parametrize(
    "resource",
    [
        coded(system=LOINC, code="8867-4", display="Heart rate"),
        coded(system=SNOMED, code="73211009", version="http://snomed.info/sct/900000000000207008/version/20240101"),
        coded(system=ACT_CODE, code="IMP"),
        coded(system=ACT_CODE, code="NEWER", version="2030-01-01"),  # another version may have it
        {**finding(), "interpretation": [{"text": "in words"}]},
        {**patient(), "language": "de-CH", "photo": [{"contentType": "image/jpeg"}]},
    ],
)
def test_right_codes_raise_nothing(resource: Resource) -> None:
    assert validate(resource, layers=[Layer.TERMINOLOGY]) == []


def test_the_units_are_those_of_ucum() -> None:
    """The atoms of version 2.2: ``ucum-essence.xml`` of the UCUM organization, as the library ucumvert carries it."""
    essence = etree.parse(files("ucumvert") / "vendor" / "ucum-essence.xml")
    units = [u for u in essence.iter("{*}unit", "{*}base-unit") if u.get("Code")]
    assert len(units) > 300
    for unit in units:
        assert read_unit(unit.get("Code")) is ParsedUnit.VALID
        prefixed = unit.get("isMetric", "yes") == "yes"
        assert (read_unit(f"z{unit.get('Code')}") is ParsedUnit.VALID) is prefixed


@pytest.mark.parametrize(
    ("code", "wrong"), [("EUR", False), ("HRK", False), ("DEM", True), ("eur", True), ("ZZZ", True)]
)
def test_currencies(code: str, wrong: bool) -> None:
    """ISO 4217; HRK was in force when R4 was published, DEM was not (the standard's engine refuses DEM, eur, ZZZ)."""
    invoice = {"resourceType": "Invoice", "status": "draft", "totalNet": {"value": 1, "currency": code}}
    expected = [("code-not-in-value-set", "Invoice.totalNet.currency")] if wrong else []
    assert rules(invoice) == expected
