"""Who was told of a line, when, by whom, read back: through every form and back, shown beside the line, and checked.

That an alarm of an examination is documented with who was told, when, and that it was read back is common practice.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from told_exams import CATALOGUE, NOW, ROUND, TELLINGS, read, record

from adapter import validate_resource
from adapter.derive.view import ExamView
from adapter.document import to_html
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import from_xml, to_xml
from adapter.forms.questionnaire import to_response
from adapter.read import read_captures
from adapter.read.bundle import from_bundle
from adapter.read.csv_writer import to_csv
from adapter.read.json_writer import to_json
from adapter.read.oru import from_oru
from adapter.read.questionnaire.sheet import NotInForm
from adapter.write.deidentify.exam import deidentify
from adapter.write.deidentify.keys import Pseudonyms
from adapter.write.deidentify.policy import load_policy
from adapter.write.document import document
from adapter.write.report import report
from adapter.write.v2 import to_oru
from commands import run_here
from tests.tables.table_rows import rows


@pytest.fixture
def told(tmp_path: Path) -> Exam:
    return read(record(TELLINGS), tmp_path)


def of_type(bundle: dict[str, Any], kind: str) -> list[dict[str, Any]]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind]


def test_the_same_exam_comes_back_from_every_form(told: Exam, tmp_path: Path) -> None:
    assert len(told.told) == 3
    assert told.told[-1].at > told.told[0].at
    for name, content in (("a.json", to_json(told)), ("a.csv", to_csv([told]).encode())):
        (tmp_path / name).write_bytes(content)
        assert [one.exam for one in read_captures(tmp_path / name, CATALOGUE)] == [told]
    for kind in BundleType:
        bundle = to_bundle(told, CATALOGUE, kind)
        assert from_bundle(bundle, CATALOGUE) == [told]
        assert from_bundle(from_xml(to_xml(bundle)), CATALOGUE) == [told]
        assert not list(validate_resource(loads(dumps(bundle))))
    assert from_bundle(document(told, CATALOGUE), CATALOGUE) == [told]
    assert from_oru(to_oru(told, CATALOGUE), CATALOGUE) == [told]


def test_a_form_that_does_not_ask_refuses_to_leave_it_out(told: Exam) -> None:
    with pytest.raises(NotInForm, match="who was told"):
        to_response(told, CATALOGUE)


def test_communication(told: Exam) -> None:
    """R4 Communication: what is required, and what it answers (basedOn, R4 section 12.14)."""
    bundle = to_bundle(told, CATALOGUE, BundleType.COLLECTION)
    requests = {one["priority"]: one for one in of_type(bundle, "CommunicationRequest")}
    urls = {id(e["resource"]): e["fullUrl"] for e in bundle["entry"]}
    found = of_type(bundle, "Communication")
    assert {one["status"] for one in found} == {"completed"}
    assert {one["basedOn"][0]["reference"] for one in found} == {urls[id(requests["stat"])]}
    assert {len(one["reasonReference"]) for one in found} == {1}
    (said,) = [one for one in found if "payload" in one]
    assert said["sent"] == "2026-03-01T09:10:00+01:00"
    assert said["sender"] == {"display": "A. Example"}
    assert said["recipient"][0]["display"] == "Dr N. Invented"
    assert requests["stat"]["status"] == "active", "other lines of it were told to nobody"


def test_a_request_is_completed_once_every_line_of_it_was_told(tmp_path: Path) -> None:
    data = record([{**TELLINGS[0], "line": ROUND}])
    (request,) = [
        one
        for one in of_type(to_bundle(read(data, tmp_path), CATALOGUE), "CommunicationRequest")
        if one["priority"] == "urgent"
    ]
    assert request["status"] == "completed"
    assert len(request["payload"]) == 1


def test_a_telling_takes_no_line_away_and_changes_nothing_else(told: Exam, tmp_path: Path) -> None:
    before, after = ExamView(read(record([]), tmp_path), CATALOGUE), ExamView(told, CATALOGUE)
    assert after.notifications == before.notifications
    assert "told" not in json.loads(to_json(before.exam))
    kinds = [one["resourceType"] for one in [e["resource"] for e in to_bundle(before.exam, CATALOGUE)["entry"]]]
    assert "Communication" not in kinds


def test_it_is_said_beside_the_line(told: Exam) -> None:
    sentence = "told at 09:10 to Dr N. Invented (physician) by A. Example (nurse), read back"
    bundle = to_bundle(told, CATALOGUE)
    line = next(x for x in of_type(bundle, "DiagnosticReport")[0]["conclusion"].split("\n") if "left: Absent" in x)
    assert sentence in line
    assert "not read back" in line
    page = to_html(report(told, CATALOGUE)).decode()
    assert "Told at 09:10 to Dr N. Invented (physician) by A. Example (nurse), read back" in page
    message = to_oru(told, CATALOGUE).decode()
    assert "told at 09:10" in next(x for x in message.split("\r") if x.startswith("NTE") and "Who was told" in x)


WRONG = [
    ({"at": "2026-02-28T09:10:00+01:00"}, "told-before-birth", "error"),
    ({"at": "2026-03-01T08:10:00+01:00"}, "told-before-finding", "warning"),
    ({"line": "femoral_pulse.weak/left"}, "told-of-no-line", "warning"),
    ({"to": {"name": "Dr N", "role": "doctor"}}, "unknown-role", "error"),
    ({"to": {"role": "physician"}}, "examiner-unknown", "error"),
    ({"at": "2026-03-01 09:10"}, "not-a-time", "error"),
    ({"read_back": "yes"}, "wrong-type", "error"),
    ({"readback": True}, "wrong-type", "error"),
    ({"whom": "Dr N"}, "unknown-field", "error"),
]


@pytest.mark.parametrize(("change", "rule", "severity"), WRONG, ids=[one[1] + str(n) for n, one in enumerate(WRONG)])
def test_what_is_wrong_is_told_at_its_place(change: dict[str, Any], rule: str, severity: str, tmp_path: Path) -> None:
    path = tmp_path / "exam.json"
    path.write_text(json.dumps(record([{**TELLINGS[1], **change}])), encoding="utf-8")
    (reading,) = read_captures(path, CATALOGUE)
    (problem,) = reading.problems
    assert (problem.rule, problem.severity) == (rule, severity)
    assert "/told/0" in problem.where
    assert "Dr N" not in str(problem)
    assert reading.accepted is (severity == "warning")


def test_a_wrong_cell_of_a_telling_names_row_and_column(told: Exam, tmp_path: Path) -> None:
    path = tmp_path / "exam.csv"
    path.write_text(to_csv([told]).replace(",yes,", ",maybe,"), encoding="utf-8")
    (reading,) = read_captures(path, CATALOGUE)
    assert [(one.rule, one.where) for one in reading.errors] == [("not-yes-or-no", "row 7, column told_read_back")]


def test_a_retraction_takes_the_tellings_back_with_it(tmp_path: Path) -> None:
    retracted = record(TELLINGS, id="told-2", status="entered-in-error", amends="told-1", reason="Wrong infant.")
    exam = read(retracted, tmp_path)
    bundle = to_bundle(exam, CATALOGUE)
    assert {one["status"] for one in of_type(bundle, "Communication")} == {"entered-in-error"}
    assert from_bundle(bundle, CATALOGUE) == [exam]


def test_deidentified_there_is_a_role_and_no_person(told: Exam) -> None:
    policy, pseudonyms = load_policy("safe-harbor"), Pseudonyms(bytes(range(32)))
    made, _ = deidentify(told, policy, pseudonyms, CATALOGUE)
    assert sorted(one.to.role for one in made.told) == sorted(one.to.role for one in told.told)
    assert [one.line for one in made.told] == [one.line for one in told.told]
    text = to_json(made).decode()
    assert not [name for name in ("Invented", "Example", "On call", "come now", "D-7") if name in text]
    lived = [one.at - exam.newborn.birth_time for exam in (told, made) for one in exam.told]
    assert lived[:3] == lived[3:]


def test_a_table_of_tellings(told: Exam) -> None:
    """The join that a researcher makes: how long from an alarm to its telling."""
    tells = rows("tells", [told], CATALOGUE)
    found = rows("tellings", [told], CATALOGUE)
    assert [(one["to_role"], one["by_role"], one["read_back"]) for one in found if one["words"]] == [
        ("physician", "nurse", True)
    ]
    (line,) = [one for one in tells if one["line_id"] == NOW]
    assert {one["line"] for one in found} == {line["line"]}
    assert (line["told"], sum(one["told"] for one in tells)) == (3, 3)
    assert str(found[0]["told_age_hours"]) == "11.9667"


def test_a_telling_of_a_line_of_an_earlier_exam_stands_with_that_line(tmp_path: Path) -> None:
    """A pulse that nobody felt again, and who was told of it later: said beside the line that stands."""
    first, later = record([]), record([TELLINGS[1]], id="told-2", started="2026-03-01T09:05:00+01:00")
    later["findings"] = [one for one in later["findings"] if one["item"] != "femoral_pulse"]
    paths = [tmp_path / "first.json", tmp_path / "later.json"]
    for path, one in zip(paths, (first, later), strict=True):
        path.write_text(json.dumps(one), encoding="utf-8")
    one, other = (reading.exam for path in paths for reading in read_captures(path, CATALOGUE))
    assert one is not None
    assert other is not None
    assert [telling.line for telling in ExamView(other, CATALOGUE).told.others] == [NOW]
    view = ExamView(other, CATALOGUE, [one])
    assert view.told.others == ()
    (line,) = [line for line in view.lines if line.past and line.line.side == "left"]
    assert [telling.at for telling in line.told] == [other.told[0].at]
    alone = run_here("check", "later.json", folder=tmp_path).stdout.decode()
    assert "told-of-no-line" in alone
    assert "earlier exam" in alone
    together = run_here("check", "later.json", "--earlier", "first.json", folder=tmp_path).stdout.decode()
    assert "told-of-no-line" not in together
    assert "told at 09:10" in together
