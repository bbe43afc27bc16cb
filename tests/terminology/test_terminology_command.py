"""``newborn-adapter terminology`` against the sandbox with the made-up edition, and from a record of it."""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
from pathlib import Path

import edition as made_up
import pytest
from lxml import etree

from adapter.catalogue import load_catalogue
from adapter.catalogue.choosing import choose
from adapter.catalogue.coverage import Coverage, coded
from adapter.catalogue.proof import FILE
from tests.commands import run_here


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("site")
    (folder / "site.yaml").write_text("proof: {wanted: true}\n")
    return folder


@pytest.fixture(scope="module")
def recorded(base: str, site: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The record of a proof; the proof lies in the site's folder."""
    path = tmp_path_factory.mktemp("record") / "answers.ndjson"
    done = run_here("terminology", "prove", "--to", base, "--site", site, "--record", path)
    assert done.returncode == 1, done.stderr  # codes failed, so that a pipeline can stop
    text = done.stdout.decode()
    assert f"snomed {made_up.INACTIVE}" in text
    assert "no longer active" in text
    assert made_up.SNOMED_VERSION in text
    return path


def test_a_record_gives_the_same_proof_without_a_server(recorded: Path, site: Path) -> None:
    done = run_here("terminology", "prove", "--recorded", recorded, "--format", "json")
    assert done.returncode == 1
    assert json.loads(done.stdout) == json.loads((site / FILE).read_text())


def test_the_proof_in_the_forms_of_pipelines(recorded: Path) -> None:
    log = json.loads(run_here("terminology", "prove", "--recorded", recorded, "--format", "sarif").stdout)
    rules = {result["ruleId"] for result in log["runs"][0]["results"]}
    assert {"inactive-code", "unknown-code", "wrong-role", "wrong-scale", "other-name"} <= rules
    suite = etree.fromstring(run_here("terminology", "prove", "--recorded", recorded, "--format", "junit").stdout)
    assert int(suite.get("tests")) > 350
    assert suite.get("failures") == "7"
    assert run_here("terminology", "prove", "--recorded", recorded, "--fail-on", "never").returncode == 0


def test_the_coverage_shows_the_proof(recorded: Path, site: Path) -> None:
    shown = run_here("items", "--coverage", "--site", site, "--format", "csv").stdout.decode()
    rows = {row["own_code"]: row for row in csv.DictReader(io.StringIO(shown))}
    assert rows["heart_rhythm"]["proof"] == f"{made_up.WRONG_SCALE} failed"
    assert rows["lips.cleft_lip"]["proof"] == f"{made_up.RENAMED} doubtful"
    assert "proved" in run_here("items", "heart_rate", "--coverage", "--site", site).stdout.decode()


def test_commands_warn_of_a_proof_only_where_the_site_asks(recorded: Path, site: Path, tmp_path: Path) -> None:
    bundle = tmp_path / "patient.json"
    bundle.write_text('{"resourceType": "Patient", "active": true}')
    told = run_here("validate", bundle, "--site", site)
    assert b"proof-failed" in told.stderr
    assert told.returncode == 0
    assert b"proof" not in run_here("validate", bundle).stderr
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "site.yaml").write_text("proof: {wanted: true, days: 1}\n")
    other = ("--site", tmp_path / "other")
    assert b"proof-missing" in run_here("validate", bundle, *other).stderr
    captured = Path(__file__).parents[2] / "examples/captures/d01-well-term-girl.json"
    sent = run_here("send", captured, "--to", "http://127.0.0.1:9/fhir", "--dry-run", *other, folder=tmp_path)
    assert b"proof-missing" in sent.stderr
    # An outbox in the drop folder ends a watch before it begins, after what is said of the site.
    watch = ("watch", tmp_path, "--outbox", tmp_path / "o.db", "--to", "http://127.0.0.1:9/fhir")
    watched = run_here(*watch, *other)
    assert (b"proof-missing" in watched.stderr, watched.returncode) == (True, 2)
    assert b"proof-missing" not in run_here(*watch).stderr


def test_candidates_as_a_table_to_choose_from(base: str, tmp_path: Path) -> None:
    out = tmp_path / "candidates.csv"
    done = run_here(
        "terminology", "candidates", "alertness", "--words", "respiratory distress", "--to", base, "--out", out
    )
    assert done.returncode == 0
    rows = list(csv.DictReader(io.StringIO(out.read_text())))
    assert {row["code"] for row in rows} == {made_up.REPLACEMENT}
    assert rows[0]["parents"] == "Clinical finding"
    assert made_up.SNOMED_VERSION in rows[0]["seen"]
    assert {row["fit"] for row in rows} == {""}


CHOSEN = (
    "fit,comment,place,label,asked,parents,system,code,display,kind,status,global_patient_set,evidence,seen,dimension"
)
ROW = "{},,{},Jittery,jitter,,snomed,{},Neonatal jittering,finding,verified,,release,made-up edition,"
JITTER = "248705001"  # a well-formed concept id


def test_what_a_person_chose_is_taken_into_the_site(tmp_path: Path) -> None:
    """A row without ``fit`` is not chosen; one that says less than ours is a Coding, an inexact one a map alone."""
    site, table = tmp_path / "ward", tmp_path / "candidates.csv"
    site.mkdir()
    (site / "site.yaml").write_text("scores: components\n")
    place = _without_a_code()
    table.write_text(
        "\n".join([CHOSEN, ROW.format("", "cry.high_pitched", JITTER), ROW.format("wider", place, JITTER)])
    )
    done = run_here("terminology", "choose", table, "--site", site)
    assert (done.returncode, done.stdout.decode()[:12]) == (0, "1 code taken"), done.stderr
    assert done.stdout.decode() != run_here("terminology", "choose", table, "--site", site).stdout.decode()
    catalogue = load_catalogue(site)
    assert catalogue.verified["snomed", JITTER].seen == "made-up edition"
    shown = run_here("items", "--coverage", "--site", site, "--format", "csv").stdout.decode()
    [row] = [row for row in csv.DictReader(io.StringIO(shown)) if row["own_code"] == place]
    assert JITTER in " ".join(row.values())
    assert run_here("items", "--lint", "--site", site).returncode == 0


@pytest.mark.parametrize(
    ("row", "said"),
    [
        (("good", "PLACE", JITTER), "none of equal"),
        (("wider", "no_such_item.answer", JITTER), "is not in the catalogue"),
        (("wider", "PLACE", "248705002"), "check digit"),
        (("equivalent", "heart_rate", "364075005"), "already"),
    ],
)
def test_a_choice_that_cannot_be_taken_leaves_the_site_as_it_is(
    row: tuple[str, str, str], said: str, tmp_path: Path
) -> None:
    table = tmp_path / "candidates.csv"
    fit, place, code = row
    good = ROW.format("wider", _without_a_code(), JITTER)
    table.write_text("\n".join([CHOSEN, good, ROW.format(fit, place.replace("PLACE", _without_a_code(1)), code)]))
    (tmp_path / "ward").mkdir()
    done = run_here("terminology", "choose", table, "--site", tmp_path / "ward")
    assert done.returncode == 1
    assert said in done.stderr.decode()
    assert list((tmp_path / "ward").iterdir()) == []


def test_a_table_of_choices_that_cannot_be_read_is_said_with_the_reason(tmp_path: Path) -> None:
    (tmp_path / "table.csv").write_bytes(b"\xff\xfe")
    for table, said in ((tmp_path, "Is a directory"), (tmp_path / "table.csv", "can't decode byte")):
        taken, [problem], content = choose(table, tmp_path)
        assert (taken, content, problem.rule, problem.file) == (0, b"", "chosen-codes", str(table))
        assert said in problem.what


def _without_a_code(number: int = 0) -> str:
    catalogue = load_catalogue()
    local = (row for row in coded(catalogue.items.values(), catalogue) if row.covered is Coverage.LOCAL)
    return [row.place for row in local if row.kind == "answer"][number]


def test_the_examples_of_the_help_work_as_typed(base: str, tmp_path: Path) -> None:
    (tmp_path / "my-ward").mkdir()
    text = run_here("terminology", "--help").stdout.decode().replace("http://127.0.0.1:8080/fhir", base)
    lines = [shlex.split(line)[1:] for line in re.findall(r"^\s+(newborn-adapter .+)$", text, re.MULTILINE)]
    assert len(lines) == 4
    codes = [run_here(*line, folder=tmp_path).returncode for line in lines[:3]]  # the fourth is below
    assert codes == [1, 0, 1]  # nothing was chosen yet
    assert (tmp_path / "my-ward" / FILE).is_file()
    assert (tmp_path / "candidates.csv").is_file()


def test_maps_from_the_command_line(base: str) -> None:
    done = run_here("terminology", "maps", "--to", base)
    assert done.returncode == 0, done.stdout[:2000]
    count, _, rest = done.stdout.decode().partition(" mappings asked of ")
    assert int(count) > 1000
    assert "0 problems" in rest


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), b"name the server"),
        (("--to", "mllp://127.0.0.1:1"), b"knows no terminology"),
        (("--recorded", "absent.ndjson"), b"cannot be read"),
        (("--recorded", "absent.ndjson", "--to", "http://127.0.0.1:1"), b"takes the place of a server"),
    ],
)
def test_wrong_usage_is_said(options: tuple[str, ...], words: bytes, tmp_path: Path) -> None:
    done = run_here("terminology", "prove", *options, folder=tmp_path)
    assert done.returncode == 2
    assert words in done.stderr


def test_a_server_that_is_not_there(tmp_path: Path) -> None:
    assert run_here("terminology", "prove", "--to", "http://127.0.0.1:9/fhir").returncode == 3
