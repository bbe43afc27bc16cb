"""The command ``watch`` as a process: files in, exams on a server, reports, log, numbers, signals, kills."""

from __future__ import annotations

import json
import random
import re
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner
from prometheus_client.parser import text_string_to_metric_families
from watching import CAPTURES, COMMAND, assert_exactly_once, eventually, names, read_exams, watching

from adapter.catalogue import Catalogue
from adapter.cli import cli
from adapter.sandbox import Store, parse_faults, running
from adapter.validate import validate

WELL = ["d05-boy-weak-femorals-failed-screen.json", "d07-1-boy-palate-part-seen.json", "d08a-first-twin-girl.json"]
WRONG = CAPTURES.parent / "wrong" / "d10-v1-birth-weight-in-kg.json"


def test_from_files_to_the_server(drop: Path, outbox: Path, base: str, catalogue: Catalogue) -> None:
    for name in WELL:
        shutil.copy(CAPTURES / name, drop)
    shutil.copy(WRONG, drop)
    (drop / "a.bin").write_bytes(b"\x00\xff\x00\xff")
    (drop / "empty.json").touch()
    (drop / "later.json.part").write_text("{")
    (drop / ".hidden").write_text("{")
    with watching(drop, base, outbox, "--metrics-port", "0") as watch:
        eventually(lambda: len(names(drop / "done")) == 3 and len(names(drop / "failed")) == 3)
        address = next(e["address"] for e in watch.events() if e["event"] == "metrics")
        eventually(lambda: "files_taken 0" in httpx.get(address, trust_env=False).text)
        numbers = httpx.get(address, trust_env=False)
        watch.process.send_signal(signal.SIGTERM)
        assert watch.process.wait(30) == 0
    assert names(drop) == {"later.json.part", ".hidden"}
    assert names(drop / "done") == set(WELL)
    assert names(drop / "failed") == {WRONG.name, "a.bin", "empty.json"}
    assert names(drop / "taken") == set()
    assert_exactly_once(base, read_exams(*(CAPTURES / name for name in WELL), catalogue=catalogue), catalogue)
    _reports_are_right(drop)
    _log_is_discreet(watch.log)
    assert watch.events()[-1]["event"] == "stopped"
    # Read by the Prometheus project's own parser of its text format.
    assert numbers.headers["content-type"] == "text/plain; version=0.0.4; charset=utf-8"
    read = {
        (sample.name.removeprefix("newborn_adapter_watch_"), sample.labels.get("result")): sample.value
        for family in text_string_to_metric_families(numbers.text)
        for sample in family.samples
    }
    assert read["files_total", "done"] == read["files_total", "failed"] == read["exams_total", "sent"] == 3
    assert read["exams_total", "refused"] == 3
    assert read["outbox_open", None] == read["files_taken", None] == read["faults_total", None] == 0
    assert 0 <= time.time() - read["last_sent_timestamp_seconds", None] < 600


def _reports_are_right(drop: Path) -> None:
    for folder, severity in (("done", "information"), ("failed", "error")):
        for name in names(drop / folder):
            outcome = json.loads((drop / folder / f"{name}.report.json").read_text())
            assert validate(outcome) == []
            assert outcome["issue"][0]["severity"] == severity
            assert name in (drop / folder / f"{name}.report.txt").read_text()
    said = (drop / "failed" / f"{WRONG.name}.report.txt").read_text()
    assert "birth_weight" in said
    assert "expected" in said
    assert "NOT SENT" in said


def _log_is_discreet(log: list[str]) -> None:
    """Nothing of a person is in the log: no name, no identifier, no birth, no file name."""
    text = "".join(log)
    for name in WELL:
        record = json.loads((CAPTURES / name).read_text())
        newborn, exam = record["newborn"], record["exam"]
        private = [newborn["name"], newborn["birth_time"][:10], newborn["mother"]["name"], name]
        private += [i["value"] for i in (*newborn["identifiers"], *newborn["mother"]["identifiers"])]
        private += [e["name"] for e in exam["examiners"] if "name" in e]
        for word in private:
            assert word not in text
        assert exam["id"] in text


def test_a_file_is_taken_only_when_its_writer_is_done(drop: Path, outbox: Path, base: str) -> None:
    content = (CAPTURES / WELL[0]).read_bytes()
    with watching(drop, base, outbox, "--settle", "0") as watch:
        with (drop / "slow.json").open("wb") as file:
            file.write(content[:100])
            file.flush()
            (drop / "other.json").write_bytes(content)
            eventually(lambda: names(drop / "done") == {"other.json"})
            assert names(drop) == {"slow.json"}
            file.write(content[100:])
        eventually(lambda: names(drop / "done") == {"other.json", "slow.json"})
        (drop / "late.json.part").write_bytes(content)
        (drop / "late.json.part").rename(drop / "late.json")
        eventually(lambda: "late.json" in names(drop / "done"))
        assert [e["event"] for e in watch.events()].count("sent") == 1  # the same exam three times


def test_one_watch_a_folder(drop: Path, outbox: Path, base: str) -> None:
    with watching(drop, base, outbox):
        second = subprocess.run(
            [*COMMAND, str(drop), "--to", base, "--outbox", f"{outbox}2"], capture_output=True, text=True, timeout=60
        )
        assert second.returncode == 2
        assert "another process" in second.stderr


@pytest.mark.parametrize("seed", [1, 2])
def test_killed_again_and_again(tmp_path: Path, drop: Path, outbox: Path, catalogue: Catalogue, seed: int) -> None:
    """kill -9 at random moments, before a server that fails on its own account: nothing lost, nothing doubled."""
    chance = random.Random(seed)
    sources = [*WELL, "d07-2-boy-cleft-soft-palate.json", "d08b-second-twin-girl-low-glucose.json"]
    faults = parse_faults(
        {
            "seed": seed,
            "rules": [
                # With the kills fewer failures than the attempts an exam has.
                {"fault": "reset-after", "match": {"method": "POST"}, "probability": 0.5, "times": 2},
                {"fault": "status", "status": 503, "probability": 0.3, "times": 1},
                {"fault": "latency", "seconds": 0.2, "probability": 0.3},
            ],
        }
    )
    with Store(tmp_path / "fhir.db") as store, running(store, faults=faults) as url:
        for _ in range(2):
            for name in chance.sample(sources, 2):
                shutil.copy(CAPTURES / name, drop)
            with watching(drop, url, outbox) as watch:
                time.sleep(chance.uniform(0, 1.2))
                watch.process.kill()
                watch.process.wait()
        for name in sources:
            shutil.copy(CAPTURES / name, drop)
        with watching(drop, url, outbox):
            eventually(lambda: not names(drop) and not names(drop / "taken"), 120)
    with Store(tmp_path / "fhir.db") as store, running(store) as url:  # the same server without its failures
        assert_exactly_once(url, read_exams(*(CAPTURES / name for name in sources), catalogue=catalogue), catalogue)
    for name in names(drop / "failed"):  # one that was being read at two of the kills is not begun a third time
        assert "ended 2 times while it was reading" in (drop / "failed" / f"{name}.report.txt").read_text()
    for name in names(drop / "done"):
        assert (drop / "done" / f"{name}.report.txt").exists()
        assert (drop / "done" / f"{name}.report.json").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "--to URL"),
        (["--to", "ftp://server/fhir"], "https://server/fhir"),
        (["--to", "http://192.0.2.1/fhir"], "plain http"),
        (["--to", "http://127.0.0.1:9/fhir", "--outbox", "DROP/outbox.db"], "lies in the drop folder"),
        (["--to", "http://127.0.0.1:9/fhir", "--outbox", "DROP/../no/outbox.db"], "outbox"),
        (["--to", "http://127.0.0.1:9/fhir", "--metrics-port", "TAKEN"], "Address already in use"),
        (["--to", "http://127.0.0.1:9/fhir", "--columns", "PLAN"], "The plan cannot be used"),
    ],
)
def test_wrong_usage_is_said_in_words(drop: Path, outbox: Path, arguments: list[str], said: str) -> None:
    plan = outbox.with_name("plan.yaml")
    plan.write_text("plan: 1\nlabel: no more than that\n")
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        places = {"DROP": str(drop), "TAKEN": str(taken.getsockname()[1]), "PLAN": str(plan)}
        words = [re.sub("DROP|TAKEN|PLAN", lambda m: places[m[0]], argument) for argument in arguments]
        result = CliRunner().invoke(cli, ["watch", str(drop), "--outbox", str(outbox), *words])
    assert result.exit_code == 2, result.output
    assert said in result.output
    assert "Traceback" not in result.output
