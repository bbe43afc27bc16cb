"""The watch inside the test's process: servers that refuse or are away, folders that fail, tables, poison."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from watching import CAPTURES, assert_exactly_once, eventually, names, read_exams

from adapter.catalogue import Catalogue
from adapter.read.csv_writer import to_csv
from adapter.read.plan import Plan, load_plan
from adapter.sandbox import Store, parse_faults, running
from adapter.send import FhirClient, FhirTransport, Outbox, Retry
from adapter.send.watch import DropFolder, Intake, Journal, Metrics, Pace, Watcher

D05, D07, D08A = (CAPTURES / f"{name}.json" for name in (
    "d05-boy-weak-femorals-failed-screen", "d07-1-boy-palate-part-seen", "d08a-first-twin-girl",
))  # fmt: skip
PACE = Pace(look=0.02, rest=0.1, again=0.2)
RETRY = Retry(tries=3, first=0.02, longest=0.1, patience=0.3)


class Watched:
    """A watch that runs in a thread; ``log`` is what it wrote."""

    def __init__(self, stream: io.StringIO, metrics: Metrics) -> None:
        self._stream, self.metrics = stream, metrics

    def events(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self._stream.getvalue().splitlines()]

    def said(self, event: str) -> int:
        return sum(one["event"] == event for one in self.events())


@contextmanager
def watched(
    drop: Path, url: str, outbox: Path, catalogue: Catalogue, plan: Plan | None = None, pace: Pace = PACE
) -> Iterator[Watched]:
    stream, metrics = io.StringIO(), Metrics()
    with ExitStack() as stack:
        client = stack.enter_context(FhirClient(url, timeout=5))
        box = stack.enter_context(Outbox(outbox))
        folder = stack.enter_context(DropFolder(drop, settle=0.05))
        transport = FhirTransport(client)
        intake = Intake(box, transport, catalogue, plan)
        watcher = Watcher(folder, intake, box, transport, Journal(stream), metrics=metrics, retry=RETRY, pace=pace)
        thread = Thread(target=watcher.run)
        thread.start()
        try:
            yield Watched(stream, metrics)
        finally:
            watcher.stop()
            thread.join()


def report(drop: Path, folder: str, name: str) -> str:
    return (drop / folder / f"{name}.report.txt").read_text()


def test_several_exams_in_one_file_of_which_one_is_refused(
    drop: Path, outbox: Path, base: str, catalogue: Catalogue
) -> None:
    """The others are sent; the file is a failed one, and its report says which exam is not on the server."""
    good = read_exams(D05, D07, catalogue=catalogue)
    wrong = json.loads((CAPTURES.parent / "wrong" / "d10-v1-birth-weight-in-kg.json").read_text())
    lines = [D05.read_text(), json.dumps(wrong), D07.read_text()]
    (drop / "three.ndjson").write_text("\n".join(json.dumps(json.loads(line)) for line in lines))
    (drop / "two.csv").write_bytes(to_csv(good).encode())
    with watched(drop, base, outbox, catalogue):
        eventually(lambda: names(drop / "failed") == {"three.ndjson"} and names(drop / "done") == {"two.csv"})
    said = report(drop, "failed", "three.ndjson")
    assert "2 of 3 exams are on the server, 1 NOT SENT" in said
    assert "demo-d10: NOT SENT, refused here" in said
    skipped = [finding for finding in good[0].findings if finding.not_examined is not None]
    assert f"demo-d05: sent ({len(good[0].findings) - len(skipped)} findings recorded, {len(skipped)} not" in said
    assert_exactly_once(base, good, catalogue)


def test_given_up_and_dropped_again(drop: Path, outbox: Path, catalogue: Catalogue) -> None:
    """An exam that the server refuses fails with the server's reason, holds up no other, and may be dropped again."""
    refusal = {"fault": "status", "status": 422, "match": {"method": "POST", "body": '"demo-d05"'}, "times": 1}
    with Store() as store, running(store, faults=parse_faults({"rules": [refusal]})) as url:
        shutil.copy(D05, drop)
        shutil.copy(D07, drop)
        with watched(drop, url, outbox, catalogue) as watch:
            eventually(lambda: names(drop / "failed") == {D05.name} and names(drop / "done") == {D07.name})
            assert "demo-d05: NOT SENT, given up" in report(drop, "failed", D05.name)
            assert "a rehearsed failure: 422" in report(drop, "failed", D05.name)
            shutil.copy(D05, drop)
            again = f"{D05.stem}~2.json"
            eventually(lambda: again in names(drop / "done"))
            assert watch.said("given-up") == 1
        assert_exactly_once(url, read_exams(D05, D07, catalogue=catalogue), catalogue)


def test_given_up_stays_given_up_after_a_restart(drop: Path, outbox: Path, catalogue: Catalogue) -> None:
    """Found in taken/ when it had been given up already: it is not tried for ever, it is reported."""
    refusal = {"fault": "status", "status": 422, "match": {"method": "POST"}}
    with Store() as store, running(store, faults=parse_faults({"rules": [refusal]})) as url:
        shutil.copy(D05, drop)
        with watched(drop, url, outbox, catalogue) as watch:
            eventually(lambda: bool(names(drop / "failed")))
        (drop / "failed" / D05.name).rename(drop / "taken" / D05.name)
        with Outbox(outbox) as box:
            [row] = box.rows()
        with watched(drop, url, outbox, catalogue) as watch:
            # That rename was a new wish to send it, as dropping it again is; it is tried once more, and given up.
            eventually(lambda: bool(names(drop / "failed")))
            assert watch.said("given-up") == 1
        with Outbox(outbox) as box:
            assert [r.seq for r in box.rows()] == [row.seq]


def test_a_server_that_is_away_for_a_while(drop: Path, outbox: Path, catalogue: Catalogue) -> None:
    """Longer than the sender's patience: the watch waits, says so, and sends when the server is back."""
    with Store() as store:
        with running(store) as url:
            port = int(url.split(":")[2].split("/")[0])
        shutil.copy(D05, drop)
        with watched(drop, url, outbox, catalogue) as watch:
            eventually(lambda: watch.said("server-away") > 0)
            assert names(drop / "taken") == {D05.name}
            with running(store, port=port):
                eventually(lambda: names(drop / "done") == {D05.name})
                assert_exactly_once(url, read_exams(D05, catalogue=catalogue), catalogue)
        assert watch.said("given-up") == 0


def test_a_folder_that_cannot_be_written(drop: Path, outbox: Path, base: str, catalogue: Catalogue) -> None:
    """The exam is sent; the file stays where it is until its report can be written; nothing is given up."""
    with watched(drop, base, outbox, catalogue) as watch:
        eventually(lambda: watch.said("started") == 1)
        (drop / "done").rmdir()
        (drop / "done").symlink_to(drop / "nowhere")
        shutil.copy(D05, drop)
        eventually(lambda: watch.said("fault") > 0)
        # A file that goes elsewhere is not held up by it.
        shutil.copy(CAPTURES.parent / "wrong" / "d10-v1-birth-weight-in-kg.json", drop / "wrong.json")
        eventually(lambda: names(drop / "failed") == {"wrong.json"})
        assert names(drop / "taken") == {D05.name}
        (drop / "done").unlink()
        (drop / "done").mkdir()
        eventually(lambda: names(drop / "done") == {D05.name})
    assert_exactly_once(base, read_exams(D05, catalogue=catalogue), catalogue)
    assert watch.said("sent") == 1


def test_a_table_through_its_plan(
    drop: Path, outbox: Path, base: str, catalogue: Catalogue, column_plan: Plan
) -> None:
    (drop / "births.csv").write_text(
        "id,start,mrn,sex,born,weight\nx-1,2026-05-02T09:00:00+02:00,N1,female,2026-05-01T10:00:00+02:00,3310\n"
        "x-2,2026-05-02T09:30:00+02:00,N2,male,2026-05-01T11:00:00+02:00,heavy\n"
    )
    with watched(drop, base, outbox, catalogue, column_plan):
        eventually(lambda: names(drop / "failed") == {"births.csv"})
    said = report(drop, "failed", "births.csv")
    assert "x-1: sent" in said
    assert "row 3" in said
    with FhirClient(base) as client:
        [weight] = client.search("Observation", {"code": "http://loinc.org|29463-7"})
    assert str(weight["valueQuantity"]["value"]) == "3310"


def test_a_file_on_which_the_program_fails(
    drop: Path, outbox: Path, base: str, catalogue: Catalogue, column_plan: Plan
) -> None:
    """A fault of the program itself, here by a plan whose table says nonsense: the file fails, the others go on."""
    broken = column_plan.model_copy(update={"table": None})
    (drop / "a.csv").write_text("id\n1\n")
    with watched(drop, base, outbox, catalogue, broken) as watch:
        eventually(lambda: names(drop / "failed") == {"a.csv"})
        (drop / "b.csv").write_text("id\n1\n")
        eventually(lambda: names(drop / "failed") == {"a.csv", "b.csv"})
        assert watch.said("fault") == 2
    assert "the program failed on this file" in report(drop, "failed", "a.csv")


def test_a_file_that_somebody_takes_away(drop: Path, outbox: Path, catalogue: Catalogue) -> None:
    """Out of taken/, while its exam waits: the exam is sent, the report says so, the watch goes on."""
    with Store() as store:
        with running(store) as url:
            port = int(url.split(":")[2].split("/")[0])
        shutil.copy(D05, drop)
        with watched(drop, url, outbox, catalogue) as watch:
            eventually(lambda: watch.said("queued") == 1)
            (drop / "taken" / D05.name).unlink()
            with running(store, port=port):
                eventually(lambda: watch.said("done") == 1)
                shutil.copy(D07, drop)
                eventually(lambda: names(drop / "done") == {D07.name})
            assert watch.said("fault") == 0
    assert "demo-d05: sent" in report(drop, "done", D05.name)


def test_names_that_were_used_before(drop: Path, outbox: Path, base: str, catalogue: Catalogue) -> None:
    """Each drop keeps its own place and report; nothing is written over. A watch that goes well never rests."""
    with watched(drop, base, outbox, catalogue, pace=Pace(look=0.02, rest=3600, again=0.2)) as watch:
        for number in range(1, 4):
            shutil.copy(D07, drop / "exam.json")
            eventually(lambda n=number: len(names(drop / "done")) == n)  # type: ignore[misc]
    assert names(drop / "done") == {"exam.json", "exam~2.json", "exam~3.json"}
    assert "sent before, nothing new in it" in report(drop, "done", "exam~3.json")
    assert watch.said("sent") == 1
    text = watch.metrics.text()
    assert 'newborn_adapter_watch_exams_total{result="sent-before"} 2' in text


def test_another_record_under_an_id_that_was_sent(drop: Path, outbox: Path, base: str, catalogue: Catalogue) -> None:
    """It would change what stands there as final: it is an amendment, and the file says so."""
    with watched(drop, base, outbox, catalogue):
        shutil.copy(D07, drop / "exam.json")
        eventually(lambda: names(drop / "done") == {"exam.json"})
        changed = json.loads(D07.read_bytes())
        del changed["findings"][-1]
        (drop / "changed.json").write_text(json.dumps(changed))
        eventually(lambda: names(drop / "failed") == {"changed.json"})
    assert "was sent from this outbox with other content" in report(drop, "failed", "changed.json")
    assert_exactly_once(base, read_exams(D07, catalogue=catalogue), catalogue)


def test_links_and_folders_are_left_alone(drop: Path, outbox: Path, base: str, catalogue: Catalogue) -> None:
    (drop / "link.json").symlink_to(D07)
    (drop / "folder").mkdir()
    shutil.copy(D07, drop / "folder" / "inner.json")
    shutil.copy(D07, drop / "real.json")
    with watched(drop, base, outbox, catalogue):
        eventually(lambda: names(drop / "done") == {"real.json"})
    assert names(drop) == {"link.json"}
    assert D07.exists()
    assert (drop / "folder" / "inner.json").exists()


def test_what_is_kept_is_for_its_owner_only(drop: Path, outbox: Path, base: str, catalogue: Catalogue) -> None:
    shutil.copy(D07, drop)
    with watched(drop, base, outbox, catalogue):
        eventually(lambda: bool(names(drop / "done")))
    for path in (drop / "taken", drop / "done", drop / "failed", drop / "done" / f"{D07.name}.report.txt"):
        assert path.stat().st_mode & 0o077 == 0, path


def test_killed_at_every_step() -> None:
    """A sample of the steps; all of them by ``python tests/watch/every_step.py``."""
    script = Path(__file__).with_name("every_step.py")
    done = subprocess.run([sys.executable, script, "--sample", "8"], capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "none lost, none doubled, none wrong" in done.stdout


@pytest.fixture
def column_plan(tmp_path: Path, catalogue: Catalogue) -> Plan:
    path = tmp_path / "plan.yaml"
    path.write_text(
        "plan: 1\nlabel: a table\n"
        "exam:\n  id: {column: id}\n  kind: initial\n  started: {column: start}\n"
        "  examiners: [{role: nurse, name: N}]\n"
        "newborn:\n  identifiers: [{system: mrn, value: {column: mrn}}]\n  sex: {column: sex}\n"
        "  birth_time: {column: born}\n"
        "findings:\n- item: weight\n  value: {column: weight}\n  unit: g\n"
    )
    plan, problems = load_plan(path, catalogue)
    assert problems == []
    assert plan is not None
    return plan
