"""``reassign`` as typed: two files, or both sent as one; and what is refused, in words."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from test_commands import examples_in_help

from adapter.catalogue import Catalogue
from adapter.read import read
from adapter.sandbox import Store, running
from adapter.send import FhirClient
from commands import ROOT, Run

ARGUMENTS = ("--newborn", "right.json", "--id", "exam-2", "--reason", "Wrong cot.")


@pytest.fixture
def twins(folder: Path) -> Path:
    """The first twin's exam is ``exam.json``; the second twin is right."""
    for name, example in (
        ("exam.json", "d08a-first-twin-girl"),
        ("right.json", "d08b-second-twin-girl-low-glucose"),
    ):
        (folder / name).write_bytes((ROOT / f"examples/captures/{example}.json").read_bytes())
    return folder


def test_the_two_records_are_written_for_those_who_send_them_themselves(
    twins: Path, run: Run, catalogue: Catalogue
) -> None:
    [line, *_] = examples_in_help("reassign")
    done = run(*line)
    assert done.returncode == 0, done.stderr
    assert shlex.split(done.stdout.decode()) == ["put/demo-d08a-taken-back.json", "put/exam-2.json"]
    right = json.loads((twins / "right.json").read_text("utf-8"))
    back, anew = [reading.exam for reading in read(twins / "put", catalogue)]
    assert back is not None
    assert anew is not None
    assert (back.details.amends, anew.details.reassigned_from) == ("demo-d08a", "demo-d08a")
    assert str(anew.newborn.identifiers[0].value) == right["newborn"]["identifiers"][0]["value"]
    assert anew.details.encounter is not None
    assert anew.details.encounter.value == "E-26-0812", "the right newborn's, not the first's"
    assert run("check", "exam.json", "put/").returncode == 0
    again = run(*line)
    assert again.returncode == 2
    assert b"is there already" in again.stderr


def test_the_newborn_alone_will_do(twins: Path, run: Run) -> None:
    whole = json.loads((twins / "right.json").read_text("utf-8"))
    for content in ({"newborn": whole["newborn"]}, whole["newborn"]):
        (twins / "right.json").write_text(json.dumps(content), "utf-8")
        assert run("reassign", "exam.json", *ARGUMENTS, "--out", f"put-{len(content)}").returncode == 0
    (twins / "right.json").write_text(json.dumps({"newborn": {"sex": "girl"}}), "utf-8")
    done = run("reassign", "exam.json", *ARGUMENTS)
    assert done.returncode == 1
    assert b"sex" in done.stderr
    assert b"identifiers" in done.stderr


def test_both_are_sent_as_one_by_file_or_by_id(twins: Path, run: Run) -> None:
    with Store(None) as store, running(store) as url, FhirClient(url) as client:
        assert run("send", "exam.json", "--to", url).returncode == 0
        wrong = run("reassign", "demo-none", *ARGUMENTS, "--to", url)
        assert wrong.returncode == 2
        assert b"sent no exam of that id" in wrong.stderr
        for _ in range(2):  # the second time nothing is left to do
            done = run("reassign", "demo-d08a", *ARGUMENTS, "--to", url)
            assert done.returncode == 0, done.stderr
            assert b"demo-d08a is taken back, and stands anew as exam-2." in done.stdout
        found = client.search("DiagnosticReport", {"_count": "9"})
        assert {one["identifier"][1]["value"]: one["status"] for one in found} == {
            "demo-d08a-taken-back": "entered-in-error",
            "exam-2": "final",
        }
        assert run("send", "--to", url).returncode == 0
        refused = run("reassign", "exam.json", *ARGUMENTS[:3], "exam-3", *ARGUMENTS[4:], "--to", url)
        assert refused.returncode == 1
        assert b"sent from this outbox with other content" in refused.stderr


@pytest.mark.parametrize(
    ("right", "said"),
    [
        ("exam.json", b"of this newborn already"),
        ("exams.csv", b"more than one newborn"),
        ("nothing.json", b"does not exist"),
    ],
)
def test_what_is_no_right_newborn_is_refused(right: str, said: bytes, twins: Path, run: Run) -> None:
    done = run("reassign", "exam.json", "--newborn", right, *ARGUMENTS[2:])
    assert done.returncode in (1, 2)
    assert said in done.stderr
    assert not list(twins.glob("*taken-back*"))


def test_an_amendment_of_another_newborn_points_to_it(twins: Path, run: Run) -> None:
    amendment = json.loads((twins / "right.json").read_text("utf-8"))
    amendment["exam"] |= {"status": "amended", "amends": "demo-d08a", "reason": "Of the second twin."}
    (twins / "amendment.json").write_text(json.dumps(amendment), "utf-8")
    done = run("check", "exam.json", "amendment.json")
    assert done.returncode == 1
    assert b"newborn-adapter reassign" in done.stdout + done.stderr
