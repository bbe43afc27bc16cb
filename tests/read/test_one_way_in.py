"""Whatever form an exam comes in, the same exam is read; and what is wrong with it is told at its place."""

from __future__ import annotations

import gzip
import io
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from adapter.catalogue import Catalogue, load_catalogue
from adapter.cli import cli
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle, to_resources, with_id
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import to_xml
from adapter.forms import to_response
from adapter.read import Reading, read, to_json
from adapter.read.bundle import from_bundle
from adapter.read.csv_writer import to_csv
from adapter.write.v2 import to_oru

CAPTURE = Path(__file__).parents[2] / "examples" / "captures" / "d05-boy-weak-femorals-failed-screen.json"
CATALOGUE = load_catalogue()
[_READING] = read(CAPTURE, CATALOGUE)
assert _READING.exam is not None
EXAM: Exam = _READING.exam


def _alone(exam: Exam, catalogue: Catalogue) -> bytes:
    return b"\n".join(dumps(with_id(one)) for one in to_resources(exam, catalogue))


FORMS: dict[str, tuple[str, Callable[[Exam, Catalogue], bytes]]] = {
    "capture record": ("a.json", lambda exam, _: to_json(exam)),
    "array of records": ("a.json", lambda exam, _: b"[" + to_json(exam) + b"]"),
    "record on a line": ("a.ndjson", lambda exam, _: to_json(exam, None) + b"\n"),
    "long CSV": ("a.csv", lambda exam, _: to_csv([exam]).encode()),
    "transaction": ("a.json", lambda exam, c: dumps(to_bundle(exam, c))),
    "collection, pretty": ("a.json", lambda exam, c: dumps(to_bundle(exam, c, BundleType.COLLECTION), pretty=True)),
    "array of bundles": ("a.json", lambda exam, c: b"[" + dumps(to_bundle(exam, c)) + b"]"),
    "bundle whose type comes last": ("a.json", lambda exam, c: dumps(dict(reversed(to_bundle(exam, c).items())))),
    "bundle in XML": ("a.xml", lambda exam, c: to_xml(to_bundle(exam, c))),
    "bundle on a line": ("a.ndjson", lambda exam, c: dumps(to_bundle(exam, c)) + b"\n"),
    "resources that stand alone": ("a.ndjson", _alone),
    "response to a form": ("a.json", lambda exam, c: dumps(to_response(exam, c))),
    "response on a line": ("a.ndjson", lambda exam, c: dumps(to_response(exam, c)) + b"\n"),
    "HL7 v2": ("a.er7", to_oru),
}


def _sorted(exam: Exam) -> Exam:
    """A message has its findings region by region."""
    return exam.model_copy(update={"findings": tuple(sorted(exam.findings, key=repr))})


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("packed", [False, True], ids=["plain", "gzip"])
def test_every_form_is_the_same_exam(form: str, packed: bool, tmp_path: Path, catalogue: Catalogue) -> None:
    name, write = FORMS[form]
    data = write(EXAM, catalogue)
    path = tmp_path / (f"{name}.gz" if packed else name)
    path.write_bytes(gzip.compress(data) if packed else data)
    for source in (path, tmp_path, [path], io.BytesIO(path.read_bytes())):
        [reading] = read(source, catalogue)
        assert reading.errors == ()
        assert reading.exam is not None
        assert _sorted(reading.exam) == _sorted(EXAM)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("command", ["check", "convert"])
def test_every_command_reads_every_form(form: str, command: str, tmp_path: Path) -> None:
    name, write = FORMS[form]
    path = tmp_path / name
    path.write_bytes(write(EXAM, CATALOGUE))
    done = CliRunner().invoke(cli, [command, str(path)], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    if command == "convert":
        [back] = from_bundle(loads(done.stdout_bytes), CATALOGUE)
        assert _sorted(back) == _sorted(EXAM)
    else:
        assert "1 exam read, 1 accepted" in done.stdout


def test_a_form_beside_an_export_stops_nothing(tmp_path: Path, catalogue: Catalogue) -> None:
    other = EXAM.model_copy(update={"details": EXAM.details.model_copy(update={"id": "another-exam"})})
    (tmp_path / "Everything.ndjson").write_bytes(
        _alone(EXAM, catalogue) + b"\n" + dumps(to_response(other, catalogue))
    )
    (tmp_path / "manifest.json").write_text('{"transactionTime": "2026-01-01T00:00:00Z", "output": []}')
    found = {reading.exam.details.id for reading in read(tmp_path, catalogue) if reading.exam}
    assert found == {EXAM.details.id, "another-exam"}


def _entry(bundle: dict[str, Any], item: str) -> tuple[int, dict[str, Any]]:
    for number, entry in enumerate(bundle["entry"]):
        code = entry["resource"].get("code", {})
        if any(coding.get("code") == item for coding in code.get("coding", [])):
            return number, entry["resource"]
    raise AssertionError(item)


def _no_own_item(resource: dict[str, Any]) -> None:
    resource["code"]["coding"] = resource["code"]["coding"][:1]


def _wrong_unit(resource: dict[str, Any]) -> None:
    resource["valueQuantity"]["unit"] = "furlong"


def _not_a_number(resource: dict[str, Any]) -> None:
    resource["valueQuantity"]["value"] = "many"


def _impossible(resource: dict[str, Any]) -> None:
    resource["valueQuantity"]["value"] = 4000


def _no_value(resource: dict[str, Any]) -> None:
    del resource["valueQuantity"]


def _other_answer(resource: dict[str, Any]) -> None:
    for coding in resource["valueCodeableConcept"]["coding"]:
        coding["code"] = f"{coding['code']}x"


def _no_answer(resource: dict[str, Any]) -> None:
    resource["valueCodeableConcept"]["coding"] = [{"system": "http://example.org", "code": "x"}]


def _too_early(resource: dict[str, Any]) -> None:
    resource["effectiveDateTime"] = "1999-01-01T00:00:00+00:00"


FAULTS: list[tuple[str, Callable[[dict[str, Any]], None], str]] = [
    ("heart_rate", _no_own_item, ".code"),
    ("heart_rate", _wrong_unit, ".valueQuantity.unit"),
    ("heart_rate", _not_a_number, ".valueQuantity.value"),
    ("heart_rate", _impossible, ".valueQuantity"),
    ("heart_rate", _no_value, ""),
    ("heart_rate", _too_early, ".effectiveDateTime"),
    ("murmur", _other_answer, ".valueCodeableConcept"),
    ("murmur", _no_answer, ".valueCodeableConcept"),
]


@pytest.mark.parametrize(("item", "break_", "element"), FAULTS, ids=lambda value: getattr(value, "__name__", None))
def test_a_fault_in_a_bundle_has_entry_element_and_line(
    item: str, break_: Callable[[dict[str, Any]], None], element: str, tmp_path: Path, catalogue: Catalogue
) -> None:
    bundle = loads(dumps(to_bundle(EXAM, catalogue)))
    number, resource = _entry(bundle, item)
    break_(resource)
    text = dumps(bundle, pretty=True)
    path = tmp_path / "bundle.json"
    path.write_bytes(text)
    [reading] = read(path, catalogue)
    where = f"Bundle.entry[{number}].resource{element}"
    told = [problem for problem in reading.errors if problem.where.startswith(where)]
    assert told, [str(problem) for problem in reading.errors]
    assert len(reading.errors) == 1
    assert told[0].file == str(path)
    assert told[0].line is not None
    key = element.rpartition(".")[2] or "resource"
    assert key in text.decode().splitlines()[told[0].line - 1]


def test_every_fault_of_a_bundle_is_told_at_once(catalogue: Catalogue) -> None:
    bundle = loads(dumps(to_bundle(EXAM, catalogue)))
    _wrong_unit(_entry(bundle, "heart_rate")[1])
    _other_answer(_entry(bundle, "murmur")[1])
    for entry in bundle["entry"]:
        if entry["resource"]["resourceType"] == "Patient":
            entry["resource"]["gender"] = "boy"
            where = f"Bundle.entry[{bundle['entry'].index(entry)}].resource.gender"
    [reading] = read(bundle, catalogue)
    assert len(reading.errors) == 3
    assert where in {problem.where for problem in reading.errors}


@pytest.mark.parametrize(
    "shape",
    [
        {"resourceType": "Bundle"},
        {"resourceType": "Bundle", "entry": None},
        {"resourceType": "Bundle", "entry": [None, {}, {"resource": 1}]},
        {"resourceType": "Bundle", "entry": [{"resource": {"resourceType": "DiagnosticReport", "identifier": {}}}]},
        {"resourceType": "Patient"},
        {"resourceType": 1},
    ],
    ids=str,
)
def test_fhir_that_holds_no_exam_is_told_in_words(shape: dict[str, Any], catalogue: Catalogue) -> None:
    [reading] = read(io.BytesIO(json.dumps(shape).encode()), catalogue, name="x.json")
    assert reading.exam is None
    [problem] = reading.errors
    assert problem.file == "x.json"
    assert problem.remedy


@pytest.mark.parametrize("part", range(20))
def test_a_bundle_with_any_entry_gone_or_gutted_is_told_or_read(part: int, catalogue: Catalogue) -> None:
    whole = loads(dumps(to_bundle(EXAM, catalogue)))
    for number in range(part, len(whole["entry"]), 20):
        gone = whole | {"entry": [e for n, e in enumerate(whole["entry"]) if n != number]}
        resource = whole["entry"][number]["resource"]
        gutted = {"resourceType": resource["resourceType"], "identifier": resource.get("identifier", [])}
        entries = [e | {"resource": gutted} if n == number else e for n, e in enumerate(whole["entry"])]
        for bundle in (gone, whole | {"entry": entries}):
            for reading in read(bundle, catalogue):
                assert isinstance(reading, Reading)
                assert reading.exam is not None or reading.errors


def test_a_bundle_without_an_exam_is_told_at_its_place_in_an_array() -> None:
    empty = b'{"resourceType": "Bundle", "type": "collection"}'

    def places(data: bytes) -> list[tuple[str, int | None]]:
        return [(one.where, one.line) for found in read(io.BytesIO(data), CATALOGUE) for one in found.problems]

    assert places(b"[\n" + empty + b",\n" + empty + b"]") == [("[0]", 2), ("[1]", 3)]
    assert places(empty) == [("", None)]
