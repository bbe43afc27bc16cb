"""What a site sets shows where it should, and nowhere else."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sites_of_examples import catalogue_of

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam, Finding, Score
from adapter.fhir import to_bundle
from adapter.fhir.json import dumps
from adapter.read import read_captures

ROOT = Path(__file__).resolve().parents[2]
Json = dict[str, Any]


def example(name: str, catalogue: Catalogue) -> Exam:
    (path,) = (ROOT / "examples" / "captures").glob(f"{name}*.json")
    (reading,) = read_captures(path, catalogue)
    assert reading.exam is not None
    return reading.exam


def resources(bundle: Json, kind: str = "Observation") -> Iterator[Json]:
    return (e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind)


def of_item(bundle: Json, item: str) -> Json:
    return next(o for o in resources(bundle) if any(c["code"] == item for c in o["code"]["coding"]))


@pytest.fixture(scope="module")
def kestrel() -> Catalogue:
    return catalogue_of("kestrel-vale")


def test_local_codes_first_and_ours_always_last(kestrel: Catalogue) -> None:
    code = of_item(to_bundle(example("d01", kestrel), kestrel), "heart_rate")["code"]["coding"]
    assert [(c["system"], c["code"]) for c in code] == [
        ("urn:oid:2.999.77.1", "NB-HR"),
        ("http://loinc.org", "8867-4"),
        ("http://snomed.info/sct", "364075005"),
        ("https://kestrel-vale.invalid/fhir/CodeSystem/exam-item", "heart_rate"),
    ]


def test_local_codes_instead(kestrel: Catalogue) -> None:
    code = of_item(to_bundle(example("d01", kestrel), kestrel), "murmur")["code"]["coding"]
    assert [c["code"] for c in code] == ["NB-MURM", "murmur"]
    answer = kestrel.items["femoral_pulse"].answer("absent")
    assert answer is not None
    assert [str(c) for c in answer.codes] == ["kv-answer FP3 |Not felt|"]


def test_a_profile_is_claimed_only_where_it_can_be_met(kestrel: Catalogue) -> None:
    """The invented heart rate profile needs a value and a performer: a rate not taken does not claim it."""
    exam = example("d01", kestrel)
    rate = "https://kestrel-vale.invalid/fhir/StructureDefinition/kv-newborn-heart-rate"
    standard = "http://hl7.org/fhir/StructureDefinition/heartrate"
    bundle = to_bundle(exam, kestrel)
    assert {rate, standard} <= set(of_item(bundle, "heart_rate")["meta"]["profile"])
    assert rate not in of_item(bundle, "respiratory_rate")["meta"]["profile"]
    skipped = tuple(
        Finding(item="heart_rate", not_examined="crying") if finding.item == "heart_rate" else finding
        for finding in exam.findings
    )
    bundle = to_bundle(exam.model_copy(update={"findings": skipped}), kestrel)
    assert rate not in of_item(bundle, "heart_rate")["meta"]["profile"]
    assert standard in of_item(bundle, "heart_rate")["meta"]["profile"]


def test_signs_as_members(kestrel: Catalogue) -> None:
    """R4 Observation.hasMember: the parts of a group are Observations; never members and components together."""
    exam = example("d01", kestrel)
    signs = {sign.id: sign.answers[1].id for sign in kestrel.items["apgar_5_min"].signs}
    score = Finding(item="apgar_5_min", value=Score(signs=signs))
    others = tuple(finding for finding in exam.findings if finding.item != "apgar_5_min")
    bundle = to_bundle(exam.model_copy(update={"findings": (*others, score)}), kestrel)
    whole = of_item(bundle, "apgar_5_min")
    by_url = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    members = [by_url[member["reference"]] for member in whole["hasMember"]]
    assert "component" not in whole
    assert whole["valueInteger"] == 5
    assert len(members) == 5
    assert all(m["valueCodeableConcept"]["coding"][-1]["extension"][0]["valueDecimal"] == 1 for m in members)
    assert {m["identifier"][0]["value"].partition("/sign/")[2] for m in members} == set(signs)


def test_the_organisation_stands_where_it_is_right(kestrel: Catalogue) -> None:
    bundle = to_bundle(example("d01", kestrel), kestrel)
    (organisation,) = resources(bundle, "Organization")
    url = next(e["fullUrl"] for e in bundle["entry"] if e["resource"] is organisation)
    (patient,), (encounter,), (history,) = (resources(bundle, k) for k in ("Patient", "Encounter", "Provenance"))
    assert patient["managingOrganization"]["reference"] == url
    assert encounter["serviceProvider"]["reference"] == url
    assert history["agent"][0]["onBehalfOf"]["reference"] == url
    entry = next(e for e in bundle["entry"] if e["resource"] is organisation)
    assert entry["request"]["method"] == "POST"
    assert "ifNoneExist" in entry["request"]


def test_few_resources() -> None:
    """Without panels the report leads to the findings; the Provenance is in it and refers to it (R4 dom-3)."""
    isle = catalogue_of("isle-minor")
    bundle = to_bundle(example("d05", isle), isle)
    (report,) = resources(bundle, "DiagnosticReport")
    kinds = {e["resource"]["resourceType"] for e in bundle["entry"]}
    assert not kinds & {"CommunicationRequest", "Provenance", "Device"}
    urls = [e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Observation"]
    assert [result["reference"] for result in report["result"]] == urls
    (history,) = report["contained"]
    assert history["target"] == [{"reference": "#"}]
    assert "Tell now" in report["conclusion"]


def test_labels_of_the_site() -> None:
    nordhafen = catalogue_of("nordhafen")
    bundle = to_bundle(example("d01", nordhafen), nordhafen)
    rate = of_item(bundle, "heart_rate")
    assert rate["language"] == "de"
    assert rate["code"]["text"] == "Herzfrequenz über der Herzspitze"
    assert b"snomed" not in dumps(bundle)
    pulse = of_item(bundle, "femoral_pulse")
    assert pulse["valueCodeableConcept"]["text"] == "Gut tastbar"
    assert any(c["valueCodeableConcept"]["text"] in ("Links", "Rechts") for c in pulse["component"])


def test_the_shipped_catalogue_says_nothing_of_all_this(catalogue: Catalogue) -> None:
    bundle = to_bundle(example("d01", catalogue), catalogue)
    assert not any("language" in one or "contained" in one for e in bundle["entry"] for one in [e["resource"]])
    assert not list(resources(bundle, "Organization"))
    claimed = {p for o in resources(bundle) for p in o.get("meta", {}).get("profile", [])}
    assert all(p.startswith("http://hl7.org/fhir/StructureDefinition/") for p in claimed)


def test_ranges_rules_and_screens_of_the_site(kestrel: Catalogue) -> None:
    assert str(kestrel.items["respiratory_rate"].ranges[0]) == "<25"
    assert kestrel.rules["arm_leg_pressure_gap"].on is False
    assert "kv_cool_and_sleepy" in kestrel.rules
    assert catalogue_of("isle-minor").screening.id == "r2025"
    assert load_catalogue().screening.id == "r2011"
