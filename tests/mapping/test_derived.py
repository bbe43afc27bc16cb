"""What was computed, as Observations: what it rests on, which rule or table made it; never read back as captured."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from invented import exam

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Finding, Quantities, Quantity, Score, Side, Urgency
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import from_xml, to_xml
from adapter.read.bundle import from_bundle
from adapter.validate import validate

Json = dict[str, Any]
LOINC = "http://loinc.org"

WEAK = Finding(item="femoral_pulse", value="weak", side=Side.LEFT)
EASY = Finding(item="femoral_pulse", value="equal_easy", side=Side.RIGHT)
REFILL = Finding(item="capillary_refill_time", value=Quantity(value=Decimal(4), unit="s"), site="sternum")
SCREEN = Finding(
    item="cchd_saturations",
    value=Quantities(components={"preductal": Decimal(96), "postductal": Decimal(88)}, unit="%"),
)
MATURE = {
    "posture": "full_bend",
    "wrist_window": "deg_0",
    "arm_recoil": "under_90",
    "knee_angle": "deg_90",
    "scarf": "near_axilla",
    "heel_to_ear": "groin",
    "skin": "cracks",
    "lanugo": "bald_areas",
    "sole": "front_two_thirds",
    "breast": "bud_5_to_10_mm",
    "eye_ear": "instant_recoil",
    "genitals_female": "majora_larger",
}
ALL = (WEAK, EASY, REFILL, SCREEN, Finding(item="maturity_score", value=Score(signs=MATURE)))


def observations(bundle: Json, catalogue: Catalogue, item: str) -> list[Json]:
    system = catalogue.uri("item")
    found = (entry["resource"] for entry in bundle["entry"])
    return [
        r
        for r in found
        if r["resourceType"] == "Observation"
        and any(c["system"] == system and c["code"] == item for c in r["code"]["coding"])
    ]


def requests(bundle: Json) -> list[Json]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "CommunicationRequest"]


def by_url(bundle: Json) -> dict[str, Json]:
    return {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}


def given(*findings: Finding) -> Exam:
    return exam(findings=findings)


def test_a_rule_that_holds_is_an_observation_that_names_rule_version_and_source(catalogue: Catalogue) -> None:
    bundle = to_bundle(given(*ALL), catalogue, BundleType.COLLECTION)
    (one,) = observations(bundle, catalogue, "cross_finding")
    rule = {"system": catalogue.uri("rule"), "code": "duct_dependent_circulation"}
    (value,), (method,) = one["valueCodeableConcept"]["coding"], one["method"]["coding"]
    assert rule.items() <= value.items()
    assert rule.items() <= method.items()
    assert f"version {catalogue.settings.version}" in one["method"]["text"]
    assert catalogue.sources["S43"].label in one["method"]["text"]
    assert one["category"][0]["coding"][0]["code"] == "exam"
    assert one["interpretation"][0]["coding"][0]["code"] == "AA"  # v3 ObservationInterpretation: critical abnormal
    found = by_url(bundle)
    rests_on = [found[reference["reference"]]["code"]["text"] for reference in one["derivedFrom"]]
    assert rests_on == [
        "Femoral pulse",
        "Capillary refill time",
        "Oxygen saturation screen for heart disease",  # itself computed from its readings
    ]


def test_a_difference_of_sides_is_an_observation_of_both(catalogue: Catalogue) -> None:
    bundle = to_bundle(given(WEAK, EASY), catalogue, BundleType.COLLECTION)
    (one,) = observations(bundle, catalogue, "side_difference")
    assert one["valueCodeableConcept"]["text"] == "Femoral pulse: left weak; right easy to feel"
    assert len(one["derivedFrom"]) == 2


def test_an_estimate_is_apart_from_its_score(catalogue: Catalogue) -> None:
    """FHIR R4 Observation: derivedFrom; members and components of the score stay its own."""
    bundle = to_bundle(given(*ALL), catalogue, BundleType.COLLECTION)
    (score,) = observations(bundle, catalogue, "maturity_score")
    (weeks,) = observations(bundle, catalogue, "maturity_estimate")
    # 4+4+4+4+4+4 + 3+3+3+4+3+3 = 43; floor((86 + 120) / 5) = 41 completed weeks (Ballard 1991, by hand)
    assert score["valueInteger"] == 43
    assert (weeks["valueQuantity"]["value"], weeks["valueQuantity"]["code"]) == (Decimal(41), "wk")
    assert by_url(bundle)[weeks["derivedFrom"][0]["reference"]] is score
    assert "New Ballard" in weeks["method"]["text"]
    assert all("ordinalValue" in str(part) for part in score["component"])


@pytest.mark.parametrize("kind", list(BundleType))
def test_what_is_computed_passes_every_layer_and_is_not_read_back(kind: BundleType, catalogue: Catalogue) -> None:
    captured = given(*ALL)
    bundle = to_bundle(captured, catalogue, kind)
    assert [str(problem) for problem in validate(bundle)] == []
    for form in (loads(dumps(bundle)), from_xml(to_xml(bundle))):
        assert from_bundle(form, catalogue) == [captured]


def test_every_derived_from_leads_to_an_observation_of_the_bundle(catalogue: Catalogue) -> None:
    bundle = to_bundle(given(*ALL), catalogue, BundleType.COLLECTION)
    found = by_url(bundle)
    made = [r for r in found.values() if r.get("derivedFrom")]
    assert len(made) >= 4
    for resource in made:
        for reference in resource["derivedFrom"]:
            assert found[reference["reference"]]["resourceType"] == "Observation"


@pytest.mark.parametrize(
    ("item", "value", "unit", "code", "other"),
    [
        ("glucose", "2.6", "mmol/L", "14743-9", "41653-7"),
        ("glucose", "47", "mg/dL", "41653-7", "14743-9"),
        ("serum_bilirubin", "253", "umol/L", "14631-6", "1975-2"),
        ("serum_bilirubin", "14.8", "mg/dL", "1975-2", "14631-6"),
    ],
)
def test_a_substance_concentration_has_a_code_of_its_own(
    item: str, value: str, unit: str, code: str, other: str, catalogue: Catalogue
) -> None:
    """LOINC properties MCnc and SCnc are two codes; the value keeps the unit and the digits that were captured."""
    captured = given(Finding(item=item, value=Quantity(value=Decimal(value), unit=unit)))
    bundle = to_bundle(captured, catalogue, BundleType.COLLECTION)
    (one,) = observations(bundle, catalogue, item)
    codes = {coding["code"] for coding in one["code"]["coding"] if coding["system"] == LOINC}
    assert code in codes
    assert other not in codes
    assert (str(one["valueQuantity"]["value"]), one["valueQuantity"]["code"]) == (value, unit)
    assert all(
        end["code"] == unit for r in one.get("referenceRange", []) for e, end in r.items() if e in ("low", "high")
    )
    assert [str(problem) for problem in validate(bundle)] == []
    assert from_bundle(loads(dumps(bundle)), catalogue) == [captured]


def test_bilirubin_of_the_skin_in_micromoles_has_our_own_code_alone(catalogue: Catalogue) -> None:
    """58941-6 is of a mass concentration; no verified code fits a substance concentration."""
    captured = given(Finding(item="transcutaneous_bilirubin", value=Quantity(value=Decimal(253), unit="µmol/L")))
    (one,) = observations(to_bundle(captured, catalogue), catalogue, "transcutaneous_bilirubin")
    assert {coding["system"] for coding in one["code"]["coding"]} == {catalogue.uri("item")}


def test_the_tell_list_is_requests_to_convey_it_one_for_each_urgency(catalogue: Catalogue) -> None:
    missed = Finding(item="anus", not_examined="crying")
    worried = Finding(item="lips", value="thin_with_flat_groove")
    bundle = to_bundle(given(*ALL, missed, worried), catalogue, BundleType.COLLECTION)
    now, later, still = requests(bundle)
    assert [r["priority"] for r in (now, later, still)] == ["stat", "urgent", "routine"]
    assert {r["status"] for r in (now, later, still)} == {"active"}
    (line,) = [p["contentString"] for p in now["payload"]]
    assert "duct_dependent_circulation" in line
    assert "Femoral pulse, left: Weak" in line
    assert any("thin_with_flat_groove" in p["contentString"] for p in later["payload"])
    assert any("Anus: not examined" in p["contentString"] for p in still["payload"])
    found = by_url(bundle)
    for request in (now, later, still):
        (report,) = request["about"]
        assert found[report["reference"]]["resourceType"] == "DiagnosticReport"
        assert all(found[r["reference"]]["resourceType"] == "Observation" for r in request["reasonReference"])
        assert "not a diagnosis" in request["note"][0]["text"]


def test_nothing_to_tell_makes_no_request_and_an_amendment_withdraws(catalogue: Catalogue) -> None:
    calm = exam(findings=(EASY,), kind="follow-up")
    assert not [r for r in requests(to_bundle(calm, catalogue)) if r["priority"] != "routine"]
    amended = exam(
        findings=(EASY,), kind="follow-up", id="inv-1-b", status="amended", amends="inv-1", reason="Wrong; invented."
    )
    urgent = [r for r in requests(to_bundle(amended, catalogue)) if r["priority"] != "routine"]
    assert [r["status"] for r in urgent] == ["revoked", "revoked", "revoked"]
    assert [r["statusReason"]["text"] for r in urgent] == ["Wrong; invented."] * 3
    assert not any("payload" in r for r in urgent)


def test_the_conclusion_counts_first_then_tells_and_ends_with_the_caution(catalogue: Catalogue) -> None:
    bundle = to_bundle(given(*ALL), catalogue)
    (report,) = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DiagnosticReport"]
    lines = report["conclusion"].splitlines()
    assert lines[0].startswith("5 findings recorded, 0 not examined, ")
    assert lines[1].startswith("Tell now: Circulation that may depend on the duct")
    assert "[duct_dependent_circulation; Femoral pulse cohort" in lines[1]
    assert "not a diagnosis" in lines[-1]


def test_the_examiner_raises_and_that_is_said(catalogue: Catalogue) -> None:
    marked = Finding(item="anus", value="open_usual_place", urgency=Urgency.TELL)
    (report,) = [
        e["resource"]
        for e in to_bundle(given(marked), catalogue)["entry"]
        if e["resource"]["resourceType"] == "DiagnosticReport"
    ]
    assert "marked by the examiner" in report["conclusion"]
