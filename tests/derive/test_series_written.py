"""An infant's series in every output: what is judged over the exams, how each line stands, and what it rests on."""

from __future__ import annotations

from base64 import b64decode
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from pypdf import PdfReader
from scenes import CATALOGUE, read, said, saturations, scene

from adapter import read_exams, to_bundle, write_exam
from adapter.cli import cli
from adapter.exam import Exam
from adapter.fhir.json import loads
from adapter.read import to_json
from adapter.read.oru import from_oru
from adapter.validate import validate
from adapter.write import OUTWARD

shift = partial(scene, kind="shift")
FIRST = shift(
    read("serum_bilirubin", "6", "mg/dL"),
    read("birth_weight", "3400", "g"),
    said("infection_risks", "group_b_streptococcus"),
    said("palate", "cleft_soft"),
    said("femoral_pulse", "absent", side="left"),
    said("murmur", "none_heard"),
    hours="10",
    exam_id="a",
)
SECOND = shift(
    read("serum_bilirubin", "10", "mg/dL"),
    read("weight", "2900", "g"),
    said("infection_risks", "preterm_labour"),
    said("palate", "whole_palate_seen_intact"),
    saturations(93, 93, "20"),
    hours="20",
    exam_id="b",
)
THIRD = shift(read("serum_bilirubin", "14", "mg/dL"), hours="26", exam_id="c")
# 6 to 10 mg/dL in ten hours of the first day is 0.4 an hour, and 0.3 is rapid (AAP 2022, Pediatrics
# 150(3):e2022058859); two risks of infection: NICE NG195; 100 x (2900 - 3400) / 3400 = -14.7 %.
RISE, RISKS, LOSS = "Rise of bilirubin: 0.40 mg/dL/h", "Two or more risks of infection", "birth: -14.7 %"
STANDINGS = {
    RISE: "ew (exams a, b)",
    RISKS: "ew (exams a, b)",
    LOSS: "ew (exams a, b)",
    "Femoral pulse, left: Absent": "ot looked at again (exam a)",
    "Cleft of the soft palate": "esolved (exam a)",
}


def written(kind: str, earlier: tuple[Exam, ...] = (FIRST,)) -> str:
    content = write_exam(SECOND, CATALOGUE, kind, earlier=earlier)
    if kind != "v2-document":
        return content.decode()
    packed = content.decode().partition("^Base64^")[2].partition("|")[0]  # the PDF in OBX-5, type ED
    pages = PdfReader(BytesIO(b64decode(packed))).pages
    return " ".join("".join(page.extract_text() + "\n" for page in pages).split())


def of_type(kind: str, bundle: dict[str, Any]) -> list[dict[str, Any]]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind]


@pytest.mark.parametrize("kind", OUTWARD)
def test_every_output_has_the_lines_of_the_series_and_how_they_stand(kind: str) -> None:
    text = written(kind)
    for line, standing in STANDINGS.items():
        assert line in text, line
        assert standing in text, (line, standing)


@pytest.mark.parametrize("kind", OUTWARD)
def test_without_an_earlier_exam_of_this_newborn_nothing_is_said_of_it(kind: str) -> None:
    alone = written(kind, ())
    assert RISE not in alone
    other = FIRST.model_copy(update={"newborn": FIRST.newborn.model_copy(update={"identifiers": _other()})})
    assert written(kind, (other, THIRD)) == alone


def _other() -> tuple[Any, ...]:
    (one,) = FIRST.newborn.identifiers
    return (one.model_copy(update={"value": "B-2"}),)


def test_lines_stand_in_the_request_of_their_urgency_and_what_was_resolved_can_wait() -> None:
    requests = {
        one["priority"]: one for one in of_type("CommunicationRequest", to_bundle(SECOND, CATALOGUE, earlier=[FIRST]))
    }
    said = {priority: [p["contentString"] for p in one["payload"]] for priority, one in requests.items()}
    assert said["stat"][0].startswith(f"New (exams a, b): {RISE}")
    assert any(line.startswith("Not looked at again (exam a): Femoral pulse, left") for line in said["stat"])
    assert [line for lines in said.values() for line in lines if line.startswith("Resolved")] == [
        line for line in said["routine"] if line.startswith("Resolved (exam a): ")
    ]
    report = {"type": "DiagnosticReport", "identifier": {"system": _system("exam"), "value": "a"}}
    assert all(report in one["reasonReference"] for one in requests.values())


def _system(kind: str) -> str:
    return CATALOGUE.identifier_system(kind)


def test_a_finding_names_the_observations_of_earlier_exams_that_it_rests_on() -> None:
    names = {one["identifier"][0]["value"] for one in of_type("Observation", to_bundle(FIRST, CATALOGUE))}
    third = to_bundle(THIRD, CATALOGUE, earlier=[FIRST, SECOND])
    found = {}
    for one in of_type("Observation", to_bundle(SECOND, CATALOGUE, earlier=[FIRST])):
        logical = [r for r in one.get("derivedFrom", ()) if "identifier" in r]
        assert all(
            r["type"] == "Observation" and r["identifier"]["system"] == _system("observation") for r in logical
        )
        found[one["identifier"][0]["value"]] = [r["identifier"]["value"] for r in logical]
    assert {name: of for name, of in found.items() if of} == {
        "b/bilirubin_rise": ["a/serum_bilirubin"],
        "b/weight_change_percent": ["a/birth_weight"],
        "b/cross_finding/infection_risks_two": ["a/infection_risks"],
    }
    assert {of for ofs in found.values() for of in ofs} <= names
    rests = [
        one["derivedFrom"] for one in of_type("Observation", third) if "bilirubin_rise" in str(one["identifier"])
    ]
    assert [r["identifier"]["value"] for r in rests[0] if "identifier" in r] == ["b/serum_bilirubin"]


@pytest.mark.parametrize("kind", ["transaction", "batch", "collection", "document"])
def test_what_rests_on_earlier_exams_is_valid_and_is_not_read_back_as_captured(kind: str) -> None:
    data = write_exam(SECOND, CATALOGUE, kind, earlier=[FIRST])
    found = validate(loads(data))
    assert not [p for p in found if p.severity in ("error", "fatal")], found
    [reading] = read_exams(BytesIO(data), CATALOGUE)
    assert reading.exam == SECOND


def test_nor_of_a_message() -> None:
    alone, judged = (write_exam(SECOND, CATALOGUE, "v2", earlier=earlier) for earlier in ((), (FIRST,)))
    [exam] = from_oru(judged, CATALOGUE)
    assert [exam] == from_oru(alone, CATALOGUE)
    assert sorted(map(str, exam.findings)) == sorted(map(str, SECOND.findings))


def test_check_and_convert_say_the_same_from_files(tmp_path: Path) -> None:
    for exam in (FIRST, SECOND):
        (tmp_path / f"{exam.details.id}.json").write_bytes(to_json(exam))
    checked = CliRunner().invoke(cli, ["check", str(tmp_path / "b.json"), "--earlier", str(tmp_path)])
    converted = CliRunner().invoke(cli, ["convert", str(tmp_path / "b.json"), "--earlier", str(tmp_path / "a.json")])
    for done in (checked, converted):
        assert done.exit_code == 0, done.output
        for line, standing in STANDINGS.items():
            assert line in done.output
            assert standing in done.output
    alone = CliRunner().invoke(cli, ["check", str(tmp_path / "b.json")])
    assert RISE not in alone.output
