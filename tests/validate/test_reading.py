from __future__ import annotations

import io
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_resources import finding, patient, vital

from adapter.fhir.json import dumps
from adapter.fhir.xml import to_xml
from adapter.problems import Severity
from adapter.validate import Loaded, operation_outcome, read_resources, validate


def read(data: bytes, name: str = "") -> list[Loaded]:
    return list(read_resources(data, name))


@pytest.mark.parametrize("name", ["x.json", "x.xml", "x.txt", ""])
def test_the_form_is_told_by_content_not_by_name(name: str) -> None:
    for data in (dumps(vital()), dumps(vital(), pretty=True), to_xml(vital()), b"\xef\xbb\xbf\n" + dumps(vital())):
        [loaded] = read(data, name)
        assert loaded.resource == vital()
        assert loaded.problems == []
        assert loaded.line is None


def test_digits_are_kept() -> None:
    for data in (dumps(vital()), to_xml(vital())):
        [loaded] = read(data)
        assert loaded.resource is not None
        assert str(loaded.resource["valueQuantity"]["value"]) == str(Decimal("3.10"))


def test_ndjson_counts_lines_and_goes_on_after_a_broken_one() -> None:
    data = b"\n".join([dumps(vital()), b'{"resourceType": ', b"", b"[1]", dumps(patient())]) + b"\n"
    loaded = read(data, "a.ndjson")
    assert [(one.line, [p.rule for p in one.problems]) for one in loaded] == [
        (1, []),
        (2, ["unreadable-json"]),
        (3, ["blank-line"]),
        (4, ["not-a-resource"]),
        (5, []),
    ]
    assert all(p.file == "a.ndjson" and p.line == one.line for one in loaded for p in one.problems)
    assert loaded[4].resource == patient()


def test_ndjson_with_a_broken_first_line() -> None:
    data = b'{"resourceType": \n' + dumps(patient())
    for name in ("a.ndjson", ""):
        assert [one.resource for one in read(data, name)] == [None, patient()]


def test_ndjson_is_read_a_line_at_a_time() -> None:
    class Counting(io.BytesIO):
        taken = 0

        def readinto(self, buffer: Any) -> int:
            count = super().readinto(buffer)
            self.taken += count
            return count

    line = dumps(finding()) + b"\n"
    stream = Counting(line * 10_000)
    reader = read_resources(stream)
    next(reader)
    assert stream.taken <= 2 * io.DEFAULT_BUFFER_SIZE
    assert sum(1 for _ in reader) == 9_999


@pytest.mark.parametrize(
    ("data", "rule", "line"),
    [
        (b"", "empty-input", None),
        (b" \n\n", "empty-input", None),
        (b"hello", "unreadable-json", 1),
        (b'\n{\n"a": }', "unreadable-json", 3),
        (b"[]", "not-a-resource", None),
        (b'{"a": 1,\n "a": 2}', "duplicate-key", 2),
        (b"<Patient", "unreadable-xml", 1),
        (b'\n<Patient xmlns="http://hl7.org/fhir">\n<colour/></Patient>', "unreadable-xml", 3),
        (b"\xff\xfe{\x00}\x00", "not-utf-8", 1),
        ('<Patient xmlns="http://hl7.org/fhir"/>'.encode("utf-16"), "not-utf-8", 1),
        ('<Patient xmlns="http://hl7.org/fhir"/>'.encode("utf-16-be"), "not-utf-8", 1),
        ("{}".encode("utf-32"), "not-utf-8", 1),
        (b'{"a": 1e99999999999999999999}', "unreadable-json", None),
        (b'{"a": -1E-99999999999999999999}', "unreadable-json", None),
        (b"\x00\x01\x02", "unreadable-json", 1),
    ],
)
def test_what_cannot_be_read_is_a_problem(data: bytes, rule: str, line: int | None) -> None:
    [loaded] = read(data, "x")
    assert loaded.resource is None
    [problem] = loaded.problems
    assert (problem.rule, problem.line, problem.file) == (rule, line, "x")
    assert problem.severity is Severity.FATAL
    assert problem.remedy


@pytest.mark.parametrize(
    ("data", "name", "rule"),
    [
        (b"MSH|^~\\&|A|B|C|D|20260101||ORU^R01|1|P|2.5.1\r", "m.hl7", "not-fhir"),
        (b"exam_id,kind,item\na,birth,cry\n", "exams.csv", "not-fhir"),
        (b"weight,length\n3200,50\n", "births.csv", "not-fhir"),
        (b"PK\x03\x04 xl/workbook.xml", "births.xlsx", "not-fhir"),
        (b"{weight,length\n3200,50\n", "births.csv", "unreadable-json"),
        (b"\xff\xfe{\0", "x.json", "not-utf-8"),
    ],
)
def test_what_another_command_reads_is_told_what_it_is(data: bytes, name: str, rule: str) -> None:
    [loaded] = read(data, name)
    assert [problem.rule for problem in loaded.problems] == [rule]
    assert ("newborn-adapter check" in loaded.problems[0].remedy) == (rule == "not-fhir")


def test_a_place_in_xml_is_told() -> None:
    [loaded] = read(b'<Patient xmlns="http://hl7.org/fhir"><name><colour/></name></Patient>')
    assert loaded.problems[0].where == "Patient.name[0].colour"


def test_files(tmp_path: Path) -> None:
    path = tmp_path / "a.json"
    path.write_bytes(dumps(patient()))
    for source in (path, str(path)):
        [loaded] = read_resources(source)
        assert (loaded.resource, loaded.file) == (patient(), str(path))
    for missing in (tmp_path / "none.json", tmp_path):
        [loaded] = read_resources(missing)
        assert [p.rule for p in loaded.problems] == ["cannot-read"]
        assert loaded.problems[0].file == str(missing)


@given(st.binary(max_size=80) | st.text('{}[]<>/"\n:,aresourceType ', max_size=60).map(str.encode))
def test_any_bytes_are_read_without_an_exception(data: bytes) -> None:
    for loaded in read(data):
        assert (loaded.resource is None) == bool(loaded.problems)


# --- problems as OperationOutcome -------------------------------------------------------------------------


def test_no_problem_is_all_ok() -> None:
    outcome = operation_outcome([])
    assert outcome["issue"] == [{"severity": "information", "code": "informational", "details": {"text": "All OK"}}]
    assert validate(outcome) == []


def test_the_outcome_is_itself_valid_and_says_where() -> None:
    broken = {**vital(), "status": "done", "colour": 1, "dataAbsentReason": {"text": "x"}, "subject": "x"}
    problems = validate(broken, file="a\x00.json", line=3)
    problems += read(b"", "x")[0].problems
    problems += validate({"resourceType": "Condition"})
    outcome = operation_outcome(problems)
    assert validate(outcome) == []
    assert len(outcome["issue"]) == len(problems) > 5
    assert outcome["issue"][0]["severity"] == "error"
    by_place = {place: issue for issue in outcome["issue"] for place in issue.get("expression", ())}
    # codes of the R4 value set issue-type
    assert by_place["Observation.status"]["code"] == "code-invalid"
    assert by_place["Observation"]["code"] == "invariant"
    assert by_place["Observation.colour"]["code"] == "structure"
    assert "expected" in by_place["Observation.status"]["diagnostics"]
    assert "line 3" in by_place["Observation.status"]["diagnostics"]
