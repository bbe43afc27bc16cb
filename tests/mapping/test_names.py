"""A name in its parts: what FHIR R4 HumanName and HL7 v2 XPN and XCN hold, and that it comes back from each."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam
from adapter.fhir import to_bundle
from adapter.read import read
from adapter.read.bundle import from_bundle
from adapter.read.csv_writer import to_csv
from adapter.read.oru import from_oru
from adapter.validate import validate
from adapter.write import write

ROOT = Path(__file__).resolve().parents[2]
RIGHT = json.loads((ROOT / "tests" / "wrong" / "right" / "right.json").read_text("utf-8"))
EXAMINER = {"identifier": {"system": "https://hospital.invalid/staff", "value": "7"}, "role": "nurse"}


def record(newborn: dict[str, str], examiner: dict[str, str], tmp_path: Path) -> dict[str, object]:
    of = {key: value for key, value in RIGHT["newborn"].items() if key != "name"}
    exam = {**RIGHT["exam"], "examiners": [{**EXAMINER, **examiner}]}
    return {**RIGHT, "exam": exam, "newborn": {**of, **newborn}}


def exam_of(newborn: dict[str, str], examiner: dict[str, str], catalogue: Catalogue, tmp_path: Path) -> Exam:
    path = tmp_path / "exam.json"
    path.write_text(json.dumps(record(newborn, examiner, tmp_path)))
    (reading,) = read(path, catalogue)
    assert reading.exam is not None, [str(problem) for problem in reading.problems]
    return reading.exam


PARTS = {"family": "Testfield-Elm", "given": "Ada Beate", "prefix": "Dr"}


def test_fhir_has_the_parts_and_the_line(catalogue: Catalogue, tmp_path: Path) -> None:
    """US Core us-core-6: a Patient has a family or a given name; AU Core au-core-pat-02: a family name."""
    exam = exam_of({"name": "Girl Elm", **PARTS}, PARTS, catalogue, tmp_path)
    bundle = to_bundle(exam, catalogue)
    of = {entry["resource"]["resourceType"]: entry["resource"] for entry in bundle["entry"]}
    parts = {"family": "Testfield-Elm", "given": ["Ada", "Beate"], "prefix": ["Dr"]}
    assert of["Patient"]["name"] == [{"use": "temp", "text": "Girl Elm", **parts}]
    assert of["Practitioner"]["name"] == [parts]
    performers = {one["display"] for one in of["Observation"]["performer"] if "display" in one}
    assert performers == {"Dr Ada Beate Testfield-Elm"}
    assert from_bundle(bundle, catalogue) == [exam]


@pytest.mark.parametrize(
    ("newborn", "pid_5"),
    [
        ({"name": "Girl Elm"}, "Girl Elm^^^^^^U"),
        (PARTS, "Testfield-Elm^Ada^Beate^^Dr^^U^A"),
        ({"family": "Elm"}, "Elm^^^^^^U^A"),
        ({"name": "Girl Elm", "family": "Elm"}, "Elm^^^^^^U^A~Girl Elm^^^^^^D"),
        ({"given": "Ada"}, "^Ada^^^^^U^A"),
    ],
)
def test_v2_has_the_parts_and_the_line(
    newborn: dict[str, str], pid_5: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    """XPN of v2.5.1, section 2A.88: family, given, further names, suffix, prefix, degree, type, representation."""
    exam = exam_of(newborn, PARTS, catalogue, tmp_path)
    message = write(exam, catalogue, "v2", "er7")
    pid = next(line for line in message.decode().splitlines() if line.startswith("PID|"))
    assert pid.split("|")[5] == pid_5
    assert b"|7^Testfield-Elm^Ada^Beate^^Dr^" in message
    (back,) = from_oru(message, catalogue)
    assert back.newborn == exam.newborn
    assert back.details.examiners == exam.details.examiners


def test_the_table_has_the_parts(catalogue: Catalogue, tmp_path: Path) -> None:
    exam = exam_of({"name": "Girl | Elm; twin", **PARTS}, {"name": "A|b/c", **PARTS}, catalogue, tmp_path)
    path = tmp_path / "exams.csv"
    path.write_text(to_csv([exam]), encoding="utf-8", newline="")
    assert [reading.exam for reading in read(path, catalogue)] == [exam]


def test_identifiers_and_encounters_as_a_guide_asks(tmp_path: Path) -> None:
    """US Core: Encounter.type and RelatedPerson.active; German ISiK: the type MR and use of the record number."""
    (tmp_path / "site.yaml").write_text(
        "identifier_systems: {mrn: 'https://hospital.invalid/mrn'}\n"
        "identifier_kinds: {mrn: {type: MR, use: official, assigner: Invented hospital}}\n"
    )
    (tmp_path / "kinds.yaml").write_text(
        "- {id: initial, encounter_type: [snomed 32485007 |Hospital admission| wider]}\n"
    )
    (tmp_path / "codes.csv").write_text((ROOT / "mappings" / "codes.csv").read_text("utf-8").splitlines()[0] + "\n")
    site = load_catalogue(tmp_path)
    system = "https://hospital.invalid/mrn"
    mother = {"identifiers": [{"system": system, "value": "9"}], "name": "M. Invented"}
    identifiers = [{"system": system, "value": "10-1"}]
    exam = exam_of({"identifiers": identifiers, "mother": mother}, {"name": "N. N."}, site, tmp_path)
    bundle = to_bundle(exam, site)
    of = {entry["resource"]["resourceType"]: entry["resource"] for entry in bundle["entry"]}
    coding = {"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "MR"}
    more = {"use": "official", "type": {"coding": [coding]}, "assigner": {"display": "Invented hospital"}}
    assert of["Patient"]["identifier"] == [{"system": system, "value": "10-1", **more}]
    assert of["RelatedPerson"]["active"] is True
    assert {"system": system, "value": "9", **more} in of["RelatedPerson"]["identifier"]
    assert of["Encounter"]["type"][0]["coding"][0]["code"] == "32485007"
    assert validate(bundle) == []
    assert from_bundle(bundle, site) == [exam]


@pytest.mark.parametrize(
    ("newborn", "examiner", "said"),
    [
        ({"prefix": "Dr"}, {"name": "N. N."}, "a prefix needs"),
        ({"given": "Ada  Beate"}, {"name": "N. N."}, "given"),
        ({}, {"name": "N. N.", "family": "N", "identifier": None}, "need an identifier"),
        ({}, {"given": "N", "family": "N", "identifier": None}, "need an identifier"),
    ],
)
def test_half_a_name_is_refused(
    newborn: dict[str, str], examiner: dict[str, str], said: str, catalogue: Catalogue, tmp_path: Path
) -> None:
    path = tmp_path / "exam.json"
    path.write_text(json.dumps(record(newborn, examiner, tmp_path)))
    (reading,) = read(path, catalogue)
    assert any(said in f"{problem.what} {problem.where}" for problem in reading.errors), [
        str(problem) for problem in reading.errors
    ]
