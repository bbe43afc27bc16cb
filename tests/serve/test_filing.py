"""One record into the drop folder: checked, whole, once; what a nurse is told of it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import Catalogue
from adapter.derive import computed_findings, tell_list
from adapter.exam import Urgency
from adapter.fhir.json import dumps
from adapter.forms import to_response
from adapter.forms.serve import CannotFile, Filing
from adapter.read import read_captures, to_json

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
TELLING = CAPTURES / "d05-boy-weak-femorals-failed-screen.json"
FIRST, AMENDED = CAPTURES / "d10-1-girl-scalp-swelling-left.json", CAPTURES / "d10-2-girl-scalp-swelling-amended.json"


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    folder = tmp_path / "drop"
    for name in ("taken", "done", "failed"):
        (folder / name).mkdir(parents=True)
    return folder


@pytest.fixture
def filing(drop: Path, catalogue: Catalogue) -> Iterator[Filing]:
    with Filing(drop, catalogue) as one:
        yield one


def _files(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir() if path.is_file()} - {".form-lock"}


def _changed(path: Path, **fields: Any) -> bytes:
    record = json.loads(path.read_bytes())
    record["exam"].update(fields)
    return json.dumps(record).encode()


def test_a_record_is_filed_as_it_came(filing: Filing, drop: Path, catalogue: Catalogue) -> None:
    answer = filing.file(TELLING.read_bytes())
    assert (answer.status, answer.body["accepted"], answer.body["file"]) == (201, True, "demo-d05.json")
    assert _files(drop) == {"demo-d05.json"}
    assert (drop / "demo-d05.json").read_bytes() == TELLING.read_bytes()
    assert (drop / "demo-d05.json").stat().st_mode & 0o777 == 0o600
    [reading] = read_captures(TELLING, catalogue)
    assert reading.exam is not None
    told = tell_list(reading.exam, computed_findings(reading.exam, catalogue), catalogue)
    sections = answer.body["tell"]
    for name, urgency in zip(("todo", "next", "soon", "now"), Urgency, strict=True):
        assert [line["words"] for line in sections[name]] == [t.words for t in told if t.urgency is urgency]
    assert sections["now"][0]["rule"] == "duct_dependent_circulation"
    assert json.loads(json.dumps(answer.body)) == answer.body


def test_the_same_record_twice_is_one_file(filing: Filing, drop: Path) -> None:
    first = filing.file(TELLING.read_bytes())
    again = filing.file(json.dumps(json.loads(TELLING.read_bytes()), indent=4).encode())
    assert (again.status, again.body) == (200, first.body)
    assert _files(drop) == {"demo-d05.json"}


@pytest.mark.parametrize("where", ["taken", "done"])
@pytest.mark.parametrize("name", ["demo-d05.json", "demo-d05~2.json"])
def test_a_record_on_its_way_is_known(where: str, name: str, filing: Filing, drop: Path) -> None:
    (drop / where / name).write_bytes(TELLING.read_bytes())
    assert filing.file(TELLING.read_bytes()).status == 200
    assert filing.file(_changed(TELLING, place="elsewhere")).status == 409
    assert _files(drop) == set()


def test_another_record_of_the_same_exam_is_refused(filing: Filing, drop: Path) -> None:
    filing.file(FIRST.read_bytes())
    other = filing.file(_changed(FIRST, place="elsewhere"))
    assert (other.status, other.body["accepted"], other.body["file"]) == (409, False, None)
    problem = other.body["problems"][0]
    assert (problem["rule"], problem["where"], problem["severity"]) == ("already-filed", "/exam/id", "error")
    assert "amended" in problem["remedy"]
    assert (drop / "demo-d10.json").read_bytes() == FIRST.read_bytes()


def test_an_amendment_is_another_record(filing: Filing, drop: Path) -> None:
    for path in (FIRST, AMENDED):
        assert filing.file(path.read_bytes()).status == 201
    assert len(_files(drop)) == 2


def test_digits_and_offsets_make_another_record(filing: Filing, drop: Path) -> None:
    """3.1 kg is not 3.10 kg, and 08:30+01:00 not 07:30Z, though they compare equal."""
    record = json.loads(FIRST.read_bytes())
    record["findings"] = [{"item": "weight", "value": {"value": "3.1", "unit": "kg"}}]
    assert filing.file(json.dumps(record).encode()).status == 201
    record["findings"][0]["value"]["value"] = "3.10"
    assert filing.file(json.dumps(record).encode()).status == 409


def test_what_failed_may_come_again(filing: Filing, drop: Path) -> None:
    (drop / "failed" / "demo-d05.json").write_bytes(_changed(TELLING, place="elsewhere"))
    assert filing.file(TELLING.read_bytes()).status == 201


def test_a_record_with_errors_is_refused_with_each_of_them(filing: Filing, drop: Path) -> None:
    record = json.loads(TELLING.read_bytes())
    record["findings"][0]["item"] = "horns"
    record["exam"]["kind"] = "nightly"
    del record["newborn"]["sex"]
    answer = filing.file(json.dumps(record).encode())
    assert (answer.status, answer.body["accepted"], answer.body["file"]) == (422, False, None)
    found = {problem["rule"]: problem for problem in answer.body["problems"]}
    assert {"unknown-item", "unknown-kind", "missing-field"} <= set(found)
    assert found["unknown-item"]["where"] == "/findings/0/item"
    assert all(problem["remedy"] for problem in answer.body["problems"])
    assert answer.body["tell"] == {"now": [], "soon": [], "next": [], "todo": []}
    assert _files(drop) == set()


@pytest.mark.parametrize(
    ("body", "rule"),
    [
        (b"", "empty-file"),
        (b"{", "not-json"),
        (b"\xff\xfe{}", "not-utf-8"),
        (b'"words"', "not-a-capture-record"),
        (b"[]", "no-exam"),
        (b"[{}, {}]", "several-records"),
        (b"{}\n{}", "several-records"),
        (b'{"resourceType": "Patient"}', "no-exam"),
        (b'{"resourceType": "QuestionnaireResponse"}', "no-questionnaire"),
        (b"item,value\n", "unknown-form"),
    ],
)
def test_what_is_no_record(body: bytes, rule: str, filing: Filing, drop: Path) -> None:
    answer = filing.file(body)
    assert answer.status == 422
    assert rule in {problem["rule"] for problem in answer.body["problems"]}
    assert _files(drop) == set()


def test_warnings_do_not_refuse(filing: Filing) -> None:
    record = json.loads(FIRST.read_bytes())
    record["findings"] = [{"item": "heart_rate", "value": {"value": 245, "unit": "/min"}, "counted_seconds": 15}]
    answer = filing.file(json.dumps(record).encode())
    assert answer.status == 201
    assert {p["rule"] for p in answer.body["problems"]} == {"implausible-value", "short-count"}
    assert answer.body["tell"]["now"]


def test_a_questionnaire_response_is_taken_as_well(filing: Filing, drop: Path, catalogue: Catalogue) -> None:
    [reading] = read_captures(FIRST, catalogue)
    assert reading.exam is not None
    assert filing.file(dumps(to_response(reading.exam, catalogue))).status == 201
    # what it says is the same record, in whichever form it came first
    assert filing.file(FIRST.read_bytes()).status == 200
    [back] = read_captures(drop / "demo-d10.json", catalogue)
    assert back.exam is not None
    assert to_json(back.exam) == to_json(reading.exam)


def test_many_at_once_are_one_file(filing: Filing, drop: Path) -> None:
    with ThreadPoolExecutor(8) as pool:
        same = list(pool.map(filing.file, [TELLING.read_bytes()] * 8))
        other = list(pool.map(filing.file, [_changed(FIRST, place=f"bed {n}") for n in range(8)]))
    assert sorted(answer.status for answer in same) == [200] * 7 + [201]
    assert sorted(answer.status for answer in other) == [201] + [409] * 7
    assert len(_files(drop)) == 2


def test_a_disk_that_takes_nothing_loses_nothing(drop: Path, catalogue: Catalogue) -> None:
    """The folder is gone: the nurse is told that the record is not handed over, and it may be posted again."""
    with Filing(drop, catalogue) as filing:
        hidden = drop.rename(drop.with_name("elsewhere"))
        answer = filing.file(TELLING.read_bytes())
        assert (answer.status, answer.body["accepted"]) == (507, False)
        assert "NOT handed over" in answer.body["problems"][0]["remedy"]
        hidden.rename(drop)
        assert filing.file(TELLING.read_bytes()).status == 201


def test_one_folder_one_server(filing: Filing, drop: Path, catalogue: Catalogue, tmp_path: Path) -> None:
    with pytest.raises(CannotFile, match="another process"), Filing(drop, catalogue):
        pass
    with pytest.raises(CannotFile, match="cannot be written"), Filing(tmp_path / "nowhere", catalogue):
        pass


def test_killed_while_it_writes(drop: Path) -> None:
    """Whole or not at all: at whatever write a process dies, the folder holds the whole record or nothing to take."""
    script = (
        "import os, sys, pathlib\n"
        "from adapter.files import drop\n"
        "n = int(sys.argv[1]); real = {name: getattr(os, name) for name in ('open', 'fdopen', 'fsync', 'link')}\n"
        "count = 0\n"
        "def dying(name):\n"
        "    def call(*a, **k):\n"
        "        global count\n"
        "        count += 1\n"
        "        if count == n: os._exit(9)\n"
        "        return real[name](*a, **k)\n"
        "    return call\n"
        "for name in real: setattr(os, name, dying(name))\n"
        "drop.put(pathlib.Path(sys.argv[2]), 'x.json', b'whole')\n"
    )
    codes = []
    for n in range(1, 9):
        done = subprocess.run(
            [sys.executable, "-c", script, str(n), str(drop)],
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
        )
        codes.append(done.returncode)
        taken = [name for name in _files(drop) if not name.startswith(".")]
        assert taken in ([], ["x.json"])
        if taken:
            assert (drop / "x.json").read_bytes() == b"whole"
            (drop / "x.json").unlink()
    assert codes[0] == 9
    assert codes[-1] == 0
