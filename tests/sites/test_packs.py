"""The packs of national guides: what a resource claims it carries, and what it cannot claim is told.

The facts of the guides are in ``guides.yaml``, each with the definitions that it was read from. The standard's own
engine heard the same resources with those definitions (README, "National guides").
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import pytest
import yaml
from click.testing import CliRunner

from adapter.catalogue import Catalogue, CatalogueError, load_catalogue, packs
from adapter.catalogue.lint import lint
from adapter.catalogue.lint_site import placeholders
from adapter.cli import cli
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import from_xml, to_xml
from adapter.read import read_captures
from adapter.read.bundle import from_bundle
from adapter.read.oru import from_oru
from adapter.send.rest.client import FhirClient
from adapter.send.rest.transport import FhirTransport
from adapter.validate import validate
from adapter.write import lint_forms, unmet_profiles, write

ROOT = Path(__file__).resolve().parents[2]
GUIDES = yaml.safe_load((Path(__file__).parent / "guides.yaml").read_text())
CAPTURES = sorted((ROOT / "examples" / "captures").glob("*.json"))
SITE = """builds_on: {}
canonical: https://hospital.example/fhir
identifier_systems: {{mrn: "urn:oid:2.999.1", visit: "urn:oid:2.999.2", staff: "urn:oid:2.999.3"}}
organisation: {{name: Invented Hospital, identifier: {{system: "urn:oid:2.999.4", value: "1"}}}}
places: {{Invented ward: {{identifier: {{system: "urn:oid:2.999.5", value: w1}}, physical_type: wa}}}}
"""
Json = dict[str, Any]

_NOWHERE = ("telecom", "address", "communication", "link", "reason", "hospitalization", "account", "diagnosis")
NOT_RECORDED = (
    *_NOWHERE,
    "generalPractitioner",
    "serviceType",
    "alias",
    "contact",
    "endpoint",
    "partOf",
    "type",
    "active",
)
"""Elements of people, stays and the organisation that no record has a fact for."""


@cache
def hospital(pack: str) -> Catalogue:
    folder = Path(mkdtemp(prefix="pack-"))
    folder.joinpath("site.yaml").write_text(SITE.format(pack))
    return load_catalogue(folder)


def record(path: Path) -> Json:
    """An example with names in parts, numbers of this hospital, and no stay of its own."""
    data: Json = json.loads(path.read_text())
    data["exam"].pop("encounter", None)
    data["exam"].setdefault("ended", "2026-12-31T23:59:00+00:00")
    data["exam"].setdefault("place", "Invented ward")
    data["newborn"] |= {"family": "Invented", "given": "Girl"}
    for identifier in data["newborn"]["identifiers"]:
        identifier["system"] = "urn:oid:2.999.1"
    if "mother" in data["newborn"]:
        data["newborn"]["mother"] |= {"family": "Invented"}
    for number, examiner in enumerate(data["exam"]["examiners"]):
        examiner |= {"family": "Invented", "given": "Nora"}
        examiner["identifier"] = {"system": "urn:oid:2.999.3", "value": f"s{number}"}
    return data


def exam_of(data: Json, catalogue: Catalogue) -> Exam:
    [reading] = read_captures(io.BytesIO(json.dumps(data).encode()), catalogue, name="record.json")
    assert reading.exam is not None, reading.problems
    return reading.exam


@cache
def resources(pack: str) -> tuple[Json, ...]:
    found: list[Json] = []
    for path in CAPTURES[::3]:
        exam = exam_of(record(path), hospital(pack))
        bundle = to_bundle(exam, hospital(pack), BundleType.COLLECTION)
        assert from_bundle(loads(dumps(bundle)), hospital(pack)) == [exam]
        found += [entry["resource"] for entry in bundle["entry"]]
    return tuple(found)


def holders(node: Any, steps: list[str]) -> Iterator[Json]:
    """Every element that a path leads to the parent of."""
    if not steps:
        yield node
        return
    below = node.get(steps[0], [])
    for part in below if isinstance(below, list) else [below]:
        yield from holders(part, steps[1:])


def has(node: Json, name: str) -> bool:
    return any(key.startswith(name.removesuffix("-x")) for key in node) if name.endswith("-x") else name in node


@pytest.mark.parametrize("pack", GUIDES)
def test_what_is_claimed_has_what_the_guide_makes_mandatory(pack: str) -> None:
    claimed = set()
    for resource in resources(pack):
        for url in set(resource.get("meta", {}).get("profile", ())) & set(GUIDES[pack]["profiles"]):
            claimed.add(url)
            for path in GUIDES[pack]["profiles"][url]["mandatory"]:
                *steps, last = path.split(".")
                if steps[:1] == ["value-x"]:
                    steps[0] = "valueQuantity"
                for holder in holders(resource, steps):
                    absent = last.startswith("value") and "dataAbsentReason" in resource
                    assert has(holder, last) or absent, (url, path, resource["id"])
    rare = {url for url in GUIDES[pack]["profiles"] if url.lower().endswith(("bloodpressure", "blood-pressure"))}
    in_documents = {url for url in GUIDES[pack]["profiles"] if url.endswith("Composition")}
    assert claimed | rare | in_documents == set(GUIDES[pack]["profiles"])


@pytest.mark.parametrize("pack", GUIDES)
def test_people_and_stays_carry_what_must_be_supported_and_is_on_record(pack: str) -> None:
    for resource in resources(pack):
        for url in set(resource.get("meta", {}).get("profile", ())) & set(GUIDES[pack]["profiles"]):
            if resource["resourceType"] not in ("Patient", "Encounter", "RelatedPerson", "Organization"):
                continue
            lacking = {
                path
                for path in GUIDES[pack]["profiles"][url]["must_support"]
                if "." not in path and not path.startswith(NOT_RECORDED) and not has(resource, path)
            }
            assert not lacking, (url, lacking)


@pytest.mark.parametrize("pack", GUIDES)
def test_bundles_of_a_pack_are_valid_and_its_folder_has_no_fault(pack: str) -> None:
    catalogue = hospital(pack)
    assert [str(problem) for problem in (*lint(catalogue), *lint_forms(catalogue))] == []
    bundle = to_bundle(exam_of(record(CAPTURES[0]), catalogue), catalogue)
    assert [str(problem) for problem in validate(bundle)] == []
    assert pack in packs()
    assert load_catalogue(Path(str(packs()[pack]))).profiles.keys() == catalogue.profiles.keys()


def test_the_placeholders_of_a_pack_are_warned_of_until_the_site_puts_its_own() -> None:
    found = placeholders(load_catalogue(Path(str(packs()["us-core"]))))
    assert [(one.where, one.severity.value, one.line) for one in found] == [
        ("identifier_systems.mrn", "warning", 5),
        ("identifier_systems.visit", "warning", 6),
        ("identifier_systems.staff", "warning", 7),
    ]
    assert placeholders(hospital("us-core")) == placeholders(load_catalogue()) == []
    done = CliRunner().invoke(cli, ["items", "--site", "us-core"])
    assert done.exit_code == 0
    assert "mrn is the placeholder of a pack" in done.output


def test_the_site_goes_over_the_pack(tmp_path: Path) -> None:
    tmp_path.joinpath("site.yaml").write_text(SITE.format("us-core"))
    tmp_path.joinpath("profiles.yaml").write_text("- {id: us-core-encounter, on: false}\n")
    profiles = load_catalogue(tmp_path).profiles
    assert not profiles["us-core-encounter"].on
    assert profiles["us-core-patient"].on
    other = tmp_path / "other"
    other.mkdir()
    other.joinpath("site.yaml").write_text("# ours\n" + SITE.format("us-cor"))
    with pytest.raises(CatalogueError, match="no pack 'us-cor'") as refused:
        load_catalogue(other)
    [problem] = refused.value.problems
    assert (problem.file, problem.line) == ("site.yaml", 2)
    assert "us-core" in problem.remedy


def test_a_mandatory_fact_that_the_record_lacks_is_told(tmp_path: Path) -> None:
    """Fact, resource, profile and where it goes; the bundle is written, and claims nothing that it does not meet."""
    catalogue = hospital("isik")
    data = record(CAPTURES[0])
    del data["newborn"]["family"], data["exam"]["ended"]
    exam = exam_of(data, catalogue)
    told = unmet_profiles(exam, catalogue, "transaction")
    assert [problem.where for problem in told] == ["Patient.name.family", "Encounter.period.end"]
    assert "newborn.family" in told[0].remedy
    assert "what leads to this resource is refused too" in told[0].what
    patients = [
        entry["resource"]
        for entry in to_bundle(exam, catalogue)["entry"]
        if entry["resource"]["resourceType"] in ("Patient", "Encounter")
    ]
    assert all("meta" not in patient for patient in patients)
    assert unmet_profiles(exam, catalogue, "v2") == []
    tmp_path.joinpath("exam.json").write_text(json.dumps(data))
    converting = ["convert", str(tmp_path / "exam.json"), "--site", "isik", "--out", str(tmp_path / "out.json")]
    for arguments in (converting, ["check", str(tmp_path / "exam.json"), "--site", "isik"]):
        done = CliRunner().invoke(cli, arguments)
        assert done.exit_code == 0
        assert "Patient.name.family" in done.output
        assert "newborn.family in the record" in done.output
    with FhirClient("http://127.0.0.1:9/fhir") as client:
        prepared = FhirTransport(client).prepare(exam, catalogue)
    assert [one.where for one in prepared.problems] == ["Patient.name.family", "Encounter.period.end"]
    assert prepared.errors == []


def test_a_place_of_the_house_has_its_number_and_what_it_is() -> None:
    """ISiKKontaktGesundheitseinrichtung 4.0.0, slice Station: identifier, display, status active, physicalType wa."""
    catalogue, data = hospital("isik"), record(CAPTURES[0])
    ward = {
        "location": {"identifier": {"system": "urn:oid:2.999.5", "value": "w1"}, "display": "Invented ward"},
        "status": "active",
        "physicalType": {
            "coding": [{"system": "http://terminology.hl7.org/CodeSystem/location-physical-type", "code": "wa"}]
        },
    }
    for place, location in (("Invented ward", ward), ("Elsewhere", {"location": {"display": "Elsewhere"}})):
        data["exam"]["place"] = place
        exam = exam_of(data, catalogue)
        bundle = to_bundle(exam, catalogue)
        [stay] = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Encounter"]
        assert stay["location"] == [location]
        assert from_bundle(loads(dumps(bundle)), catalogue) == [exam]
        assert [str(problem) for problem in validate(bundle)] == []


def test_units_in_the_words_that_a_guide_fixes() -> None:
    """UK Core, Observation-VitalSigns-HeartRate 1.0.0: unit is fixed to "per minute". What was written is kept."""
    catalogue = hospital("uk-core")
    data = record(CAPTURES[0])
    spelled = {"heart_rate": "bpm", "temperature": "°C", "oxygen_saturation": "%", "weight": "g"}
    data["findings"] = [
        {"item": "heart_rate", "value": {"value": 128, "unit": "bpm"}},
        {"item": "temperature", "site": "axilla", "value": {"value": 98.1, "unit": "°F"}},
        {"item": "blood_pressure", "site": "right_arm",
         "value": {"components": {"systolic": 66, "diastolic": 41}, "unit": "mm Hg"}},
        {"item": "length", "value": {"value": 50, "unit": "cm"}},
    ]  # fmt: skip
    exam = exam_of(data, catalogue)
    bundle = to_bundle(exam, catalogue)
    made = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Observation"]
    units = {one["valueQuantity"]["unit"] for one in made if "valueQuantity" in one}
    assert {"per minute", "degree Celsius", "centimeter"} <= units
    assert not units & set(spelled.values())
    assert from_bundle(loads(dumps(bundle)), catalogue) == [exam]
    assert from_bundle(from_xml(to_xml(bundle)), catalogue) == [exam]
    assert [str(problem) for problem in validate(bundle)] == []
    assert from_oru(write(exam, catalogue, "v2"), catalogue) == [exam]


def test_oxygen_given_stands_in_the_saturation_of_that_moment() -> None:
    """US Core pulse oximetry: component Concentration, LOINC 3150-0, per cent; the finding itself stays."""
    site, data = hospital("us-core"), record(CAPTURES[0])
    percent = {"value": {"value": 94, "unit": "%"}, "item": "oxygen_saturation", "site": "right_hand"}
    later = str(data["exam"]["ended"])
    given = {"item": "inspired_oxygen", "value": {"value": 30, "unit": "%"}}
    data["findings"] = [percent, given, {**percent, "observed_at": later}]
    exam = exam_of(data, site)
    bundle = to_bundle(exam, site, BundleType.TRANSACTION)
    assert [p for p in validate(bundle) if p.severity == "error"] == []
    assert from_bundle(loads(dumps(bundle)), site) == [exam]
    assert loads(write(exam, site, "transaction")) == loads(dumps(bundle))
    held = [r for r in (e["resource"] for e in bundle["entry"]) if r["resourceType"] == "Observation"]
    beside, alone = ([c["code"]["coding"][0]["code"] for c in r.get("component", ())] for r in (held[0], held[2]))
    assert (beside, alone) == (["3150-0"], [])
    assert held[0]["component"][0]["valueQuantity"] == {
        "value": 30,
        "unit": "%",
        "system": "http://unitsofmeasure.org",
        "code": "%",
    }
