"""No file stops the watch: neither one at which the program dies, nor one that is too large, nor one that changes."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from test_watcher import D05, D07, report, watched
from watching import assert_exactly_once, eventually, names, read_exams

from adapter.catalogue import Catalogue
from adapter.send.watch import intake

#: Dies by SIGKILL as soon as it has begun to read (what the kernel does when memory runs out, common practice).
DYING = """
import os, signal, sys
from adapter.send.watch.intake import Intake
def queue(self, path):
    if poison in path.name:
        os.kill(os.getpid(), signal.SIGKILL)
    yield from before(self, path)
before, Intake.queue = Intake.queue, queue
from adapter.cli import cli
poison = sys.argv.pop()
cli(sys.argv[1:])
"""


def died(drop: Path, url: str, outbox: Path, poison: str) -> int:
    """A watch in a process of its own that dies at the file; how it ended."""
    command = [sys.executable, "-c", DYING, "watch", str(drop), "--to", url, "--outbox", str(outbox)]
    command += ["--every", "0.05", "--settle", "0", poison]
    return subprocess.run(command, capture_output=True, timeout=60).returncode


def test_a_file_that_ends_the_program_twice_goes_to_failed(
    drop: Path, outbox: Path, base: str, catalogue: Catalogue
) -> None:
    (drop / "poison.json").write_text(D07.read_text())
    for _ in range(2):
        assert died(drop, base, outbox, "poison") == -signal.SIGKILL
        assert names(drop / "taken") == {"poison.json"}
    shutil.copy(D05, drop)
    with watched(drop, base, outbox, catalogue) as watch:
        eventually(lambda: names(drop / "done") == {D05.name} and names(drop / "failed") == {"poison.json"})
        assert 'files_refused_total{rule="ended-reading"} 1' in watch.metrics.text()
    assert "ended 2 times while it was reading" in report(drop, "failed", "poison.json")
    assert list((drop / "taken").iterdir()) == []
    # whoever has mended the cause puts it in again
    shutil.move(drop / "failed" / "poison.json", drop)
    with watched(drop, base, outbox, catalogue):
        eventually(lambda: len(names(drop / "done")) == 2)
    assert_exactly_once(base, read_exams(D05, D07, catalogue=catalogue), catalogue)


def test_ends_in_order_are_not_counted(drop: Path, outbox: Path, catalogue: Catalogue) -> None:
    """Stopped and started any number of times while the server is away, a file stays where it is."""
    shutil.copy(D05, drop)
    for _ in range(4):
        with watched(drop, "http://127.0.0.1:9/fhir", outbox, catalogue) as watch:
            eventually(lambda: watch.said("queued") == 1)
    assert names(drop / "taken") == {D05.name}


def test_a_file_that_is_too_large_is_refused_by_its_size(
    drop: Path, outbox: Path, base: str, catalogue: Catalogue
) -> None:
    """It is not even opened: a sparse file of a terabyte would take hours to hash."""
    with (drop / "huge.json").open("wb") as file:
        os.truncate(file.fileno(), 1 << 40)
    shutil.copy(D05, drop)
    with watched(drop, base, outbox, catalogue):
        eventually(lambda: names(drop / "done") == {D05.name} and names(drop / "failed") == {"huge.json"}, 20)
    assert f"{1 << 40} bytes" in report(drop, "failed", "huge.json")
    assert intake.MOST_BYTES < 1 << 32


def test_a_file_that_changes_while_it_is_worked_on_is_not_done(
    drop: Path, outbox: Path, base: str, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody who had it open before goes on writing: the report tells what was sent from what lies there now."""
    shutil.copy(D05, drop)
    queue = intake.Intake.queue

    def and_then_written(self: intake.Intake, path: Path):  # type: ignore[no-untyped-def]
        yield from queue(self, path)
        with path.open("a") as file:
            file.write(" ")

    monkeypatch.setattr(intake.Intake, "queue", and_then_written)
    with watched(drop, base, outbox, catalogue):
        eventually(lambda: names(drop / "failed") == {D05.name})
    assert "somebody wrote into it" in report(drop, "failed", D05.name)
    assert "demo-d05: sent" in report(drop, "failed", D05.name)
