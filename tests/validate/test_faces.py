"""Where problems are in a file, and the forms in which they are told."""

from __future__ import annotations

import gzip
import io
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from sample_resources import Resource, changed, family, finding, patient, vital

from adapter.cli import cli
from adapter.fhir.json import dumps, loads
from adapter.fhir.locations import excerpt, locate_json
from adapter.fhir.xml import to_xml
from adapter.problems import Layer, Problem, Severity
from adapter.validate import read_resources, reading, validate
from adapter.validate.pipelines import junit, sarif
from drawn import drawn

NOT_DONE = changed(family(), "entry.1.resource.status", "done")


def located(data: bytes) -> list[Problem]:
    [loaded] = read_resources(data, "x")
    assert loaded.resource is not None
    return loaded.located(validate(loaded.resource))


def line_of(data: bytes, text: bytes) -> int:
    return data[: data.index(text)].count(b"\n") + 1


@pytest.mark.parametrize("blank", [b"", b"\n\n", b"\xef\xbb\xbf"])
def test_a_place_in_json_is_told_to_the_column(blank: bytes) -> None:
    data = blank + dumps(NOT_DONE, pretty=True)
    [problem] = located(data)
    text = data.removeprefix(b"\xef\xbb\xbf").decode()
    assert problem.where == "Bundle.entry[1].resource.status"
    assert problem.line == line_of(data, b'"status": "done"')
    assert problem.column is not None
    assert text.split("\n")[problem.line - 1][problem.column - 1 :].startswith('"status"')


def test_a_place_in_xml_is_told_to_the_line() -> None:
    for blank in (b"", b"\n\n"):
        data = blank + to_xml(NOT_DONE, pretty=True)
        [problem] = located(data)
        assert (problem.line, problem.column) == (line_of(data, b'value="done"'), None)


def test_what_is_missing_is_placed_at_what_should_hold_it() -> None:
    data = dumps(changed(family(), "entry.2.resource.code", ...), pretty=True)
    [problem] = located(data)
    assert problem.line == line_of(data, b'"resourceType": "DiagnosticReport"') - 1


def test_a_line_of_ndjson_keeps_its_number() -> None:
    data = dumps(vital()) + b"\n" + dumps({**vital(), "status": "done"}) + b"\n"
    _, second = read_resources(data, "x")
    assert second.resource is not None
    [problem] = second.located(validate(second.resource))
    assert (problem.line, problem.file) == (2, "x")
    assert problem.column == dumps({**vital(), "status": "done"}).index(b'"status"') + 1
    assert excerpt(dumps(vital()).decode(), (1, 20)).splitlines()[1].endswith("^")
    assert "done" in second.excerpt(problem)
    assert second.excerpt(problem).startswith("     2 |")


def test_a_property_written_twice_is_placed() -> None:
    data = b'{"resourceType": "Patient",\n "name": [{"text": "a"}, {"text": "b",\n  "text": "c"}]}'
    [loaded] = read_resources(data)
    assert [(p.rule, p.line, p.column) for p in loaded.problems] == [("duplicate-key", 3, 3)]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=4),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["a", "b", "_c", '"']), inner, max_size=3)
    ),
    max_leaves=12,
)


def places(value: Any, where: str) -> list[tuple[str, Any]]:
    found = [(where, value)]
    if isinstance(value, dict):
        for name, inner in value.items():
            if name != '"':
                found += places(inner, f"{where}.{name}")
    if isinstance(value, list):
        for index, inner in enumerate(value):
            found += places(inner, f"{where}[{index}]")
    return found


@drawn(100)
@given(st.dictionaries(st.sampled_from(["a", "b", "_c"]), JSON, max_size=3), st.sampled_from([None, 1]))
def test_every_place_of_any_json_is_found(value: Any, indent: int | None) -> None:
    text = json.dumps(value, indent=indent, ensure_ascii=False)
    wanted = dict(places(value, "X"))
    found = locate_json(text, wanted)
    assert found.keys() == wanted.keys()
    lines = text.split("\n")
    for where, (line, column) in found.items():
        rest = "\n".join([lines[line - 1][column - 1 :], *lines[line:]])
        name = where.rpartition(".")[2]
        if "." in where and not name.endswith("]"):
            assert rest.startswith(json.dumps(name))
        else:
            assert json.JSONDecoder().raw_decode(rest)[0] == wanted[where]


@given(st.text('{}[]":,\\ \nab0', max_size=30))
def test_text_that_is_no_json_gives_no_place_and_no_fault(text: str) -> None:
    assert all(line >= 1 for line, _ in locate_json(text, ["X.a[0].b"]).values())


# --- limits of reading ------------------------------------------------------------------------------------


def test_gzip_is_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson.gz"
    path.write_bytes(gzip.compress(dumps(vital()) + b"\n" + dumps(finding())))
    assert [one.resource for one in read_resources(path)] == [vital(), finding()]
    assert [one.resource for one in read_resources(io.BytesIO(path.read_bytes()))] == [vital(), finding()]
    [loaded] = read_resources(path.read_bytes()[:-12], "x.gz")
    assert [p.rule for p in loaded.problems] == ["cannot-read"]


def test_a_resource_beyond_the_limit_is_refused_and_the_next_one_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MAX_BYTES", 1 << 20)
    long = b'{"resourceType": "Patient", "language": "' + b"x" * (1 << 21) + b'"}'
    found = list(read_resources(dumps(vital()) + b"\n" + long + b"\n" + dumps(finding()) + b"\n", "a.ndjson"))
    assert [(one.line, [p.rule for p in one.problems]) for one in found] == [(1, []), (2, ["too-large"]), (3, [])]
    for data in (long, b"{\n" + long, b"<x>" + long):
        assert [p.rule for one in read_resources(data) for p in one.problems] == ["too-large"]


# --- the command ------------------------------------------------------------------------------------------


def run(*arguments: str, data: bytes = b"") -> Result:
    return CliRunner().invoke(cli, ("validate", *arguments), input=data)


def test_text_has_the_source_on_request_only() -> None:
    data = dumps(NOT_DONE, pretty=True)
    plain, shown = run("-", data=data), run("-", "--excerpt", data=data)
    assert '"status": "done"' not in plain.stdout
    assert '"status": "done"' in shown.stdout
    assert "^" in shown.stdout
    assert plain.stdout.endswith("1 resource read: 1 error.\n")
    assert plain.exit_code == shown.exit_code == 1


@pytest.mark.parametrize(
    ("resource", "fail_on", "code"),
    [
        (NOT_DONE, "never", 0),
        (NOT_DONE, "error", 1),
        (changed(vital(), "valueQuantity.code", "kg{foo}"), "warning", 1),
        (vital(), "information", 0),
    ],
)
def test_when_it_fails_is_a_choice(resource: Resource, fail_on: str, code: int) -> None:
    assert run("-", "--fail-on", fail_on, data=dumps(resource)).exit_code == code


def test_a_summary_counts_by_rule() -> None:
    broken = dumps({**finding(), "status": "done"})
    done = run("-", "--summary", data=b"\n".join([broken] * 3 + [dumps(changed(finding(), "code", ...))]))
    lines = done.stdout.splitlines()
    assert lines[0].split()[:3] == ["3", "error", "code-not-in-value-set"]
    assert lines[1].split()[:3] == ["1", "error", "missing-element"]
    assert lines[-1] == "4 resources read: 4 errors."


def test_one_problem_a_line() -> None:
    [line] = run("-", "--format", "jsonl", data=dumps(NOT_DONE)).stdout.splitlines()
    said = json.loads(line)
    assert said["rule"] == "code-not-in-value-set"
    assert said["where"] == "Bundle.entry[1].resource.status"
    assert said["line"] == 1


def test_an_operation_outcome_is_itself_valid() -> None:
    outcome = loads(run("-", "--format", "json", data=dumps(NOT_DONE)).stdout)
    assert outcome["resourceType"] == "OperationOutcome"
    assert validate(outcome) == []


def test_sarif(tmp_path: Path) -> None:
    """SARIF 2.1.0 (OASIS): the properties that sections 3.13, 3.14, 3.27 and 3.28 ask for."""
    path = tmp_path / "a.json"
    path.write_bytes(dumps(NOT_DONE, pretty=True))
    log = json.loads(run(str(path), "--format", "sarif").stdout)
    assert log["version"] == "2.1.0"
    [one] = log["runs"]
    [result] = one["results"]
    assert {rule["id"] for rule in one["tool"]["driver"]["rules"]} == {result["ruleId"]} == {"code-not-in-value-set"}
    assert result["level"] == "error"
    place = result["locations"][0]["physicalLocation"]
    assert place["artifactLocation"]["uri"] == str(path)
    assert place["region"]["startLine"] == line_of(path.read_bytes(), b'"status": "done"')
    assert sarif([])["runs"][0]["results"] == []


def test_junit() -> None:
    data = dumps(vital()) + b"\n" + dumps({**vital(), "status": "done"}) + b"\n"
    suite = etree.fromstring(run("-", "--format", "junit", data=data).stdout.encode())
    assert (suite.get("tests"), suite.get("failures")) == ("2", "1")
    assert [case.get("name") for case in suite] == ["standard input:1", "standard input:2"]
    assert [failure.get("type") for failure in suite.iter("failure")] == ["code-not-in-value-set"]
    odd = Problem(Severity.ERROR, Layer.STRUCTURE, "x", "\x00")
    assert etree.fromstring(junit({"a\x01": [odd]})).get("tests") == "1"


def test_patterns_and_folders_and_what_is_not_there(tmp_path: Path) -> None:
    for name, resource in (("a.json", vital()), ("b.json", patient()), ("c.txt", finding())):
        (tmp_path / name).write_bytes(dumps(resource))
    assert "2 resources read" in run(str(tmp_path / "*.json")).stdout
    assert "3 resources read" in run(str(tmp_path)).stdout
    assert run(str(tmp_path / "*.xml")).exit_code == 2
    assert run(str(tmp_path / "none.json")).exit_code == 2
    assert run(str(tmp_path), "--package", str(tmp_path / "c.txt")).exit_code == 2
