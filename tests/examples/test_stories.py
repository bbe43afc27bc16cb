"""What single examples were made to show, each worked out here by hand and not by the program."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
import regenerate
from regenerate import BUNDLES, EXAMPLES, example, names

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive import age_hours
from adapter.exam import At
from adapter.problems import Severity
from adapter.read import read_captures

LOINC, UCUM = "http://loinc.org", "http://unitsofmeasure.org"
Json = dict[str, Any]


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def bundle(name: str) -> Json:
    (whole,) = (one for one in names() if one.startswith(f"{name}-"))
    return regenerate.bundle(whole)


def resources(name: str, resource_type: str) -> list[Json]:
    found = (entry["resource"] for entry in bundle(name)["entry"])
    return [resource for resource in found if resource["resourceType"] == resource_type]


def observations(name: str, item: str, canonical: str) -> list[Json]:
    """The Observations of an item, found by the project's own code."""
    system = f"{canonical}/CodeSystem/exam-item"
    return [
        resource
        for resource in resources(name, "Observation")
        if any(c["system"] == system and c["code"] == item for c in resource["code"]["coding"])
    ]


def loinc(concept: Json) -> set[str]:
    return {coding["code"] for coding in concept["coding"] if coding["system"] == LOINC}


def test_the_impossible_birth_weight_is_refused_and_its_remedy_named(catalogue: Catalogue) -> None:
    (reading,) = read_captures(EXAMPLES / "wrong" / "d10-v1-birth-weight-in-kg.json", catalogue)
    (problem,) = [p for p in reading.problems if p.severity is Severity.ERROR]
    assert not reading.accepted
    assert (problem.item, problem.rule) == ("birth_weight", "impossible-value")
    assert "7.4 kg" in problem.what
    assert "7.4 lb" in problem.remedy
    assert problem.line is not None
    lines = (EXAMPLES / "wrong" / "d10-v1-birth-weight-in-kg.json").read_text("utf-8").splitlines()
    assert '"item": "birth_weight"' in lines[problem.line - 1]


def test_the_birth_weight_of_the_amended_exam_is_7_lb_4_oz(catalogue: Catalogue) -> None:
    # NIST Handbook 44, appendix C: 1 lb = 453.59237 g, 1 oz = 1/16 lb.
    grams = 7 * Decimal("453.59237") + 4 * Decimal("453.59237") / 16
    assert grams == Decimal("3288.5446825")
    canonical = catalogue.settings.canonical
    (first,) = observations("d10-1", "birth_weight", canonical)
    (amended,) = observations("d10-2", "birth_weight", canonical)
    assert (first["status"], amended["status"]) == ("cancelled", "amended")
    assert "valueQuantity" not in first
    assert first["identifier"] == amended["identifier"]
    assert first["id"] == amended["id"]
    quantity = amended["valueQuantity"]
    assert (str(quantity["value"]), quantity["system"], quantity["code"]) == ("3288.54", UCUM, "g")
    captured = [e["valueQuantity"] for e in quantity["extension"]]
    assert [(int(q["value"]), q["code"]) for q in captured] == [(7, "[lb_av]"), (4, "[oz_av]")]


def test_the_amended_exam_says_right_and_why(catalogue: Catalogue) -> None:
    canonical = catalogue.settings.canonical
    sides = []
    for name in ("d10-1", "d10-2"):
        (swelling,) = observations(name, "scalp_swelling", canonical)
        details = [c["valueCodeableConcept"]["coding"] for c in swelling["component"]]
        sides += [c["code"] for codings in details for c in codings if c["system"] == f"{canonical}/CodeSystem/side"]
    assert sides == ["left", "right"]
    (report,) = resources("d10-2", "DiagnosticReport")
    (provenance,) = resources("d10-2", "Provenance")
    assert report["status"] == "amended"
    assert "written left by mistake" in provenance["reason"][0]["text"]


def test_the_twins_are_two_patients_of_one_mother() -> None:
    (first,) = resources("d08a", "Patient")
    (second,) = resources("d08b", "Patient")
    assert first["id"] != second["id"]
    assert (first["birthDate"], second["birthDate"]) == ("2026-07-18", "2026-07-19")
    assert (first["multipleBirthInteger"], second["multipleBirthInteger"]) == (1, 2)
    numbers = [int(p["identifier"][0]["value"].removeprefix("26-")) for p in (first, second)]
    assert numbers[1] - numbers[0] == 1
    mothers = [resources(name, "RelatedPerson")[0] for name in ("d08a", "d08b")]
    known_by = [{i["value"] for i in mother["identifier"] if "hospital.invalid" in i["system"]} for mother in mothers]
    assert known_by[0] == known_by[1] == {"26-00810"}
    assert mothers[0]["id"] != mothers[1]["id"]
    for patient, mother in zip((first, second), mothers, strict=True):
        assert mother["patient"]["reference"] == f"urn:uuid:{patient['id']}"


def test_two_exams_of_one_newborn_are_of_one_patient() -> None:
    (before,) = resources("d07-1", "Patient")
    (after,) = resources("d07-2", "Patient")
    assert before == after


def test_ages_are_right_across_the_clock_change() -> None:
    # Directive 2000/84/EC: summer time ends at 01:00 UTC on the last Sunday of October, in 2026 on the 25th.
    change = datetime(2026, 10, 25, 1, 0, tzinfo=UTC)
    assert change.strftime("%A") == "Sunday"
    assert (change + timedelta(days=7)).month == 11
    exam = example("d11-boy-breathing-distress-clock-change")
    born, seen = exam.newborn.birth_time, exam.details.started
    assert born.astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert seen.astimezone(UTC) == datetime(2026, 10, 26, 6, 30, tzinfo=UTC)
    assert born < change < seen
    assert (born.utcoffset(), seen.utcoffset()) == (timedelta(hours=2), timedelta(hours=1))
    assert age_hours(exam, seen) == 30
    assert seen.replace(tzinfo=None) - born.replace(tzinfo=None) == timedelta(hours=29)
    (void,) = [f.value.time for f in exam.findings if f.item == "first_void" and isinstance(f.value, At)]
    assert age_hours(exam, void) == Decimal(80) / 60
    assert void.replace(tzinfo=None) - born.replace(tzinfo=None) == timedelta(minutes=20)


def test_the_birth_time_keeps_its_offset_and_the_birth_date_is_the_local_one() -> None:
    # FHIR R4 extension patient-birthTime: same local date as Patient.birthDate.
    (patient,) = resources("d11", "Patient")
    assert patient["birthDate"] == "2026-10-25"
    (extension,) = patient["_birthDate"]["extension"]
    assert extension["valueDateTime"] == "2026-10-25T02:30:00+02:00"


@pytest.mark.parametrize(
    ("name", "birth", "now", "said"),
    [
        ("d01", 3310, 3180, "-3.9"),
        ("d02", 2600, 2314, "-11.0"),
        ("d04", 3150, 3085, "-2.1"),
        ("d06", 3420, 3335, "-2.5"),
        ("d07-2", 3060, 2990, "-2.3"),
    ],
)
def test_the_weight_change_is_computed_from_both_weights(
    name: str, birth: int, now: int, said: str, catalogue: Catalogue
) -> None:
    # 100 x (weight - birth weight) / birth weight, arithmetic; one decimal place.
    assert round(Decimal(100 * (now - birth)) / birth, 1) == Decimal(said)
    canonical = catalogue.settings.canonical
    (change,) = observations(name, "weight_change_percent", canonical)
    assert str(change["valueQuantity"]["value"]) == said
    assert change["valueQuantity"]["code"] == "%"
    weights = [observations(name, item, canonical)[0] for item in ("weight", "birth_weight")]
    assert [w["valueQuantity"]["value"] for w in weights] == [now, birth]
    assert [r["reference"] for r in change["derivedFrom"]] == [f"urn:uuid:{w['id']}" for w in weights]


def test_no_weight_change_where_one_weight_is_missing(catalogue: Catalogue) -> None:
    for name in ("d03", "d05", "d10-1", "d11"):
        assert observations(name, "weight_change_percent", catalogue.settings.canonical) == []


def test_the_pressures_of_arm_and_leg(catalogue: Catalogue) -> None:
    # FHIR R4 vital signs profile: panel 85354-9, systolic 8480-6, diastolic 8462-4, unit mm[Hg].
    arm, leg = observations("d05", "blood_pressure", catalogue.settings.canonical)
    for pressure, systolic, diastolic in ((arm, 78, 46), (leg, 52, 30)):
        assert "85354-9" in loinc(pressure["code"])
        numbers = {
            code: component["valueQuantity"]
            for component in pressure["component"]
            if "valueQuantity" in component
            for code in loinc(component["code"])
        }
        assert (numbers["8480-6"]["value"], numbers["8462-4"]["value"]) == (systolic, diastolic)
        assert {quantity["code"] for quantity in numbers.values()} == {"mm[Hg]"}
    assert [p["bodySite"]["text"] for p in (arm, leg)] == ["Right arm", "Right leg"]
    arm_systolic, leg_systolic = 78, 52
    assert arm_systolic - leg_systolic == 26


def test_the_saturations_of_hand_and_foot(catalogue: Catalogue) -> None:
    # FHIR R4 vital signs profile: 2708-6, with 59408-5 by pulse oximetry; unit %.
    hand, foot = observations("d05", "oxygen_saturation", catalogue.settings.canonical)
    assert [(o["valueQuantity"]["value"], o["valueQuantity"]["code"]) for o in (hand, foot)] == [(96, "%"), (88, "%")]
    assert all({"2708-6", "59408-5"} <= loinc(o["code"]) for o in (hand, foot))


def test_digits_stay_as_captured() -> None:
    (path,) = BUNDLES.glob("d01-*.json")
    text = path.read_text("utf-8")
    assert '"value": 50.0,' in text
    assert '"value": 34.0,' in text


def test_apgar_scores_are_of_their_minute(catalogue: Catalogue) -> None:
    # The signs' points as in the MSD manual's table, 2023: limbs blue 1, some bending 1, else 2.
    canonical = catalogue.settings.canonical
    found = [observations("d01", f"apgar_{minute}_min", canonical)[0] for minute in (1, 5)]
    assert [score["valueInteger"] for score in found] == [8, 9]
    assert [score["effectiveDateTime"] for score in found] == [
        "2026-11-02T13:11:00+01:00",
        "2026-11-02T13:15:00+01:00",
    ]


def test_no_total_while_a_sign_is_missing(catalogue: Catalogue) -> None:
    (score,) = observations("d09", "pain", catalogue.settings.canonical)
    assert "valueInteger" not in score
    assert len([c for c in score["component"] if "exam-component" in str(c["code"])]) == 5


def test_what_was_not_examined_never_looks_normal() -> None:
    # FHIR R4 obs-6: a reason for no data only where there is no value.
    skipped = [o for o in resources("d09", "Observation") if "dataAbsentReason" in o]
    assert len(skipped) == 37  # counted in the capture record
    for observation in skipped:
        assert observation["status"] in ("cancelled", "registered")
        assert not [key for key in observation if key.startswith("value")]
        assert "interpretation" not in observation
