"""What is no exam is told what it is; what is wrong with one is told at its place, in every form."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from adapter.catalogue import load_catalogue
from adapter.cli import cli
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import to_xml
from adapter.forms import to_response
from adapter.problems import Problem
from adapter.read import read, to_json
from adapter.read.bundle import NotReadable, from_bundle
from adapter.read.csv_writer import to_csv
from adapter.read.plan import load_plan
from adapter.write.v2 import to_oru
from tests.plans.plans_of_datasets import BIRTHWT

CATALOGUE = load_catalogue()
ROOT = Path(__file__).parents[2]
CAPTURE = ROOT / "examples" / "captures" / "d05-boy-weak-femorals-failed-screen.json"
[_READING] = read(CAPTURE, CATALOGUE)
assert _READING.exam is not None
EXAM: Exam = _READING.exam


def problems_of(data: bytes, name: str = "") -> list[Problem]:
    return [problem for reading in read(io.BytesIO(data), CATALOGUE, name=name) for problem in reading.errors]


THINGS: list[tuple[str, bytes, str, str]] = [
    ("a workbook", b"PK\x03\x04\x14\x00\x06\x00[Content_Types].xml xl/workbook.xml", "workbook", "--columns"),
    ("another archive", b"PK\x03\x04\x14\x00\x00\x00\x08\x00", "ZIP", "unpacked"),
    ("an old workbook", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600, "workbook", ".xlsx"),
    ("a PDF", b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "PDF", "capture"),
    ("a picture", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "picture", "capture"),
    ("a web page", b"<!DOCTYPE html>\n<html><head><title>Sign in</title></head></html>", "web page", "capture"),
    ("a web page without type", b"<html><body>502 Bad Gateway</body></html>", "web page", "capture"),
    ("a document of another standard", b'<ClinicalDocument xmlns="urn:hl7-org:v3"/>', "ClinicalDocument", "FHIR"),
    ("a number", b"42\n", "a JSON object is expected", "capture"),
    ("words", b"The baby looked well this morning.\nNothing to add, really.\n", "no form", "capture"),
    ("another table", b"id,bwt,race\n1,2500,2\n2,2600,1\n", "table", "--columns"),
    ("another table by tabs", b"id\tbwt\trace\n1\t2500\t2\n", "table", "--columns"),
    ("an outbox", b"SQLite format 3\0\x10\0\x01\x01", "SQLite", "capture"),
    ("a table for programs", b"PAR1\x15\x04\x15\x10", "Parquet", "CSV"),
    ("nothing but zeros", b"\0" * 1000, "no form", "capture"),
    ("a list of words", b'["a", "b"]', "object", "capture"),
    ("a column plan", b"plan: 1\nexam:\n  id: x\n", "no form", "--columns"),
    ("an admission", b"MSH|^~\\&|A|B|C|D|20260101||ADT^A01|1|P|2.5.1\rPID|1\r", "ADT^A01", "ORU^R01"),
]


@pytest.mark.parametrize(("thing", "data", "said", "remedy"), THINGS, ids=[thing[0] for thing in THINGS])
@pytest.mark.parametrize("given", ["", "x.json", "x.csv", "x"])
def test_the_wrong_thing_is_told_what_it_is(thing: str, data: bytes, said: str, remedy: str, given: str) -> None:
    problems = problems_of(data, given)
    assert any(said in problem.what and remedy in problem.remedy for problem in problems), list(map(str, problems))
    if not data.startswith(b"["):
        assert len(problems) == 1, list(map(str, problems))


RESOURCES: list[tuple[dict[str, Any], list[str]]] = [
    ({"resourceType": "Patient", "id": "a"}, ["Patient"]),
    ({"resourceType": "Observation", "id": "a", "status": "final"}, ["Observation"]),
    (
        {"resourceType": "DiagnosticReport", "id": "a", "status": "final"},
        ["DiagnosticReport", "none of this adapter"],
    ),
    ({"resourceType": "Questionnaire", "id": "a"}, ["Questionnaire"]),
    ({"resourceType": "OperationOutcome", "issue": []}, ["OperationOutcome"]),
    ({"resourceType": "Bundle", "type": "searchset"}, ["Bundle", "no entries"]),
    (
        {"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "Patient"}}] * 2},
        ["Bundle", "2 Patient"],
    ),
    ({"resourceType": "Bundle", "entry": [{"response": {"status": "201"}}]}, ["Bundle", "answer"]),
]


@pytest.mark.parametrize(("resource", "said"), RESOURCES, ids=lambda value: str(value)[:60])
def test_a_resource_that_holds_no_exam_says_what_it_is(resource: dict[str, Any], said: list[str]) -> None:
    for data, name in ((dumps(resource), "x.json"), (dumps(resource) + b"\n", "x.ndjson")):
        [problem] = problems_of(data, name)
        assert problem.rule == "no-exam"
        assert all(word in problem.what for word in said), str(problem)
        assert problem.file == name


def test_a_capture_record_to_validate_is_told_what_it_is() -> None:
    done = CliRunner().invoke(cli, ["validate", str(CAPTURE)], catch_exceptions=False)
    assert done.exit_code == 1
    assert "capture record" in done.output
    assert "check" in done.output


def test_a_plan_is_for_the_tables_among_the_inputs(tmp_path: Path) -> None:
    (tmp_path / "plan.yaml").write_text(BIRTHWT, encoding="utf-8")
    plan, _ = load_plan(tmp_path / "plan.yaml", CATALOGUE)
    assert plan is not None
    table = b"id,bwt\n1,2500\n2,2600\n"
    folder = tmp_path / "in"
    folder.mkdir()
    (folder / "a.json").write_bytes(to_json(EXAM))
    (folder / "b.csv").write_bytes(table)
    (folder / "c.er7").write_bytes(to_oru(EXAM, CATALOGUE))
    readings = list(read(folder, CATALOGUE, plan))
    assert [reading.exam is not None for reading in readings] == [True] * 4, [r.problems for r in readings]
    streamed = list(read(io.BytesIO(table), CATALOGUE, plan, name="births"))
    assert [reading.source for reading in streamed] == ["births, row 2", "births, row 3"]


def _wrong_units(resource: dict[str, Any]) -> None:
    resource["valueQuantity"]["unit"] = "furlong"


def _spoilt(bundle: dict[str, Any]) -> int:
    """A bundle with a wrong unit in the pulse; the number of the entry."""
    for number, entry in enumerate(bundle["entry"]):
        codings = entry["resource"].get("code", {}).get("coding", [])
        if any(coding.get("code") == "heart_rate" for coding in codings):
            _wrong_units(entry["resource"])
            return number
    raise AssertionError


def _line_of(text: str, start: str, wanted: str) -> int:
    """The line of the first ``wanted`` after ``start``."""
    return text.count("\n", 0, text.index(wanted, text.index(start))) + 1


def _exam(name: str) -> Exam:
    return EXAM.model_copy(update={"details": EXAM.details.model_copy(update={"id": name})})


def test_places_of_bundles_in_xml_and_in_arrays() -> None:
    bundle = loads(dumps(to_bundle(EXAM, CATALOGUE, BundleType.COLLECTION)))
    number = _spoilt(bundle)
    where = f"Bundle.entry[{number}].resource.valueQuantity.unit"
    xml = to_xml(bundle, pretty=True)
    [problem] = problems_of(xml, "x.xml")
    assert (problem.where, problem.file) == (where, "x.xml")
    assert problem.line == _line_of(xml.decode(), "<resource", "furlong")
    right = dumps(to_bundle(_exam("other"), CATALOGUE), pretty=True)
    text = b"[" + right + b",\n" + dumps(bundle, pretty=True) + b"]"
    [problem] = problems_of(text, "x.json")
    assert problem.where.endswith(where)
    assert problem.where.startswith("[1]")
    assert problem.line == _line_of(text.decode(), "[", "furlong")


def test_a_thousand_faults_of_a_bundle_are_found_by_their_lines_in_one_go() -> None:
    bundle = loads(dumps(to_bundle(EXAM, CATALOGUE)))
    bundle["entry"] += [
        {"resource": {"resourceType": "DiagnosticReport", "identifier": bundle_id, "status": "final"}}
        for bundle_id in [_report_identifier(bundle)] * 1000
    ]
    problems = problems_of(dumps(bundle, pretty=True), "x.json")
    assert len({(problem.where, problem.line) for problem in problems}) >= 1000
    assert all(problem.line for problem in problems)


def _report_identifier(bundle: dict[str, Any]) -> Any:
    return next(
        e["resource"]["identifier"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DiagnosticReport"
    )


def test_a_response_in_a_bundle_in_xml_and_in_a_list_is_read_and_its_faults_placed() -> None:
    response = loads(dumps(to_response(EXAM, CATALOGUE)))
    other = loads(dumps(to_response(_exam("other"), CATALOGUE)))
    bundle = {
        "resourceType": "Bundle",
        "type": "searchset",
        "entry": [{"resource": {"resourceType": "Patient"}}, {"resource": other}, {"resource": response}],
    }
    for data in (dumps(bundle), to_xml(bundle), dumps([other, response]), to_xml(response)):
        exams = [reading.exam for reading in read(io.BytesIO(data), CATALOGUE)]
        assert EXAM in exams, data[:50]
    response["status"] = "in-progress"
    for data, where in (
        (dumps(bundle, pretty=True), "Bundle.entry[2].resource, status"),
        (to_xml(bundle, pretty=True), "Bundle.entry[2].resource, status"),
        (to_xml(response, pretty=True), "status"),
        (dumps(response, pretty=True), "status"),
    ):
        [problem] = problems_of(data, "x")
        assert problem.where == where
        assert problem.rule == "not-completed"
        assert problem.line == _line_of(data.decode(), "Questionnaire", "in-progress"), data[:50]


def test_a_bundle_may_hold_an_exam_and_a_response() -> None:
    bundle = loads(dumps(to_bundle(EXAM, CATALOGUE)))
    bundle["entry"].append({"resource": loads(dumps(to_response(_exam("other"), CATALOGUE)))})
    readings = list(read(bundle, CATALOGUE))
    assert [r.exam.details.id for r in readings if r.exam] == [EXAM.details.id, "other"]


def test_pages_of_a_server_hold_an_exam_together() -> None:
    """A search result comes in pages (R4, http.html#paging), and a page may end anywhere."""
    entries = loads(dumps(to_bundle(EXAM, CATALOGUE, BundleType.COLLECTION)))["entry"]
    for size in (1, 7, 50, len(entries)):
        pages = [
            {"resourceType": "Bundle", "type": "searchset", "entry": entries[at : at + size] + entries[:1]}
            for at in range(0, len(entries), size)
        ]
        [reading] = read(pages, CATALOGUE, name="https://server.example/fhir")
        assert reading.errors == ()
        assert reading.exam == EXAM


def test_messages_are_read_one_by_one() -> None:
    first, second, third = (to_oru(_exam(name), CATALOGUE) for name in ("one", "two", "three"))
    broken = second.replace(b"|ORU^R01", b"|ADT^A01", 1)
    delimiters = second.replace(b"MSH|^~\\&", b"MSH|$~\\&", 1)
    charset = second.replace(b"UNICODE UTF-8", b"KS X 1001", 1)
    not_utf_8 = second.replace(b"|NM|", b"|\xff|", 1)
    for wrong in (broken, delimiters, charset, not_utf_8):
        readings = list(read(io.BytesIO(first + wrong + third), CATALOGUE, name="x.er7"))
        assert [r.exam.details.id if r.exam else "" for r in readings] == ["one", "", "three"]
        [problem] = readings[1].errors
        assert "message 2" in problem.where
        assert problem.line is not None
        assert (first + wrong + third).replace(b"\r", b"\n").split(b"\n")[problem.line - 1][:3] in (b"MSH", b"OBX")
    [alone] = read(io.BytesIO(b"FHS|^~\\&\rBHS|^~\\&\r" + first + b"BTS|1\rFTS|1\r"), CATALOGUE)
    assert alone.accepted


def test_every_fault_of_a_message_is_told_at_once() -> None:
    text = to_oru(EXAM, CATALOGUE).decode()
    lines = text.split("\r")
    pid = next(n for n, line in enumerate(lines) if line.startswith("PID"))
    lines[pid] = lines[pid].replace("|M|", "|X|", 1)
    pulse = next(n for n, line in enumerate(lines) if "heart_rate" in line)
    fields = lines[pulse].split("|")
    fields[5] = "4000"
    lines[pulse] = "|".join(fields)
    problems = problems_of("\r".join(lines).encode(), "x.er7")
    assert {(p.rule, p.line) for p in problems} == {("sex", pid + 1), ("impossible-value", pulse + 1)}
    assert {p.where for p in problems} == {f"segment {pid + 1} (PID-8)", f"segment {pulse + 1} (OBX-5)"}


def test_what_is_not_readable_names_its_places() -> None:
    bundle = loads(dumps(to_bundle(EXAM, CATALOGUE)))
    resources = [entry["resource"] for entry in bundle["entry"]]
    number = next(n for n, resource in enumerate(resources) if "valueQuantity" in resource)
    resources[number]["code"]["coding"].clear()
    patient = next(n for n, resource in enumerate(resources) if resource["resourceType"] == "Patient")
    resources[patient]["gender"] = "boy"
    with pytest.raises(NotReadable) as raised:
        from_bundle(bundle, CATALOGUE)
    wheres = {problem.where for problem in raised.value.problems}
    assert wheres == {f"Bundle.entry[{number}].resource.code", f"Bundle.entry[{patient}].resource.gender"}
    assert str(patient) in str(raised.value)


def test_an_export_beside_what_cannot_be_read_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text('{"resourceType": "Bundle"', encoding="utf-8")
    (tmp_path / "b.ndjson").write_bytes(b'{"resourceType": "Patient", "id": "x"}\n{broken\n')
    (tmp_path / "c.csv").write_text(to_csv([EXAM]), encoding="utf-8")
    (tmp_path / "d.pdf").write_bytes(b"%PDF-1.7\n%\xe2\xe3")
    (tmp_path / "manifest.json").write_text('{"transactionTime": "2026-01-01T00:00:00Z", "output": []}')
    readings = list(read(tmp_path, CATALOGUE))
    assert [r.exam.details.id for r in readings if r.exam] == [EXAM.details.id]
    refused = {p.file.rpartition("/")[2]: p.rule for r in readings for p in r.errors}
    assert refused == {"a.json": "not-fhir", "b.ndjson": "no-exam", "d.pdf": "not-readable"} or refused.keys() == {
        "a.json",
        "b.ndjson",
        "d.pdf",
    }


def test_a_manifest_of_any_name_is_passed_over(tmp_path: Path) -> None:
    """FHIR Bulk Data Access 2.0, complete status: transactionTime, request, output."""
    manifest = {"transactionTime": "2026-01-01T00:00:00Z", "request": "https://x/$export", "output": [], "error": []}
    (tmp_path / "export.json").write_text(json.dumps(manifest), encoding="utf-8")
    (tmp_path / "a.json").write_bytes(to_json(EXAM))
    assert [r.accepted for r in read(tmp_path, CATALOGUE)] == [True]
