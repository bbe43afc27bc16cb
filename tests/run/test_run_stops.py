"""Runs that are stopped or lose a worker, with real processes: what comes out is what nothing disturbed gives.

What is stopped and killed is a process of its own with its workers; what goes on from there is this one.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import time
from pathlib import Path
from random import Random

import pytest
from odd_works import BREAKS, HANGS, KILLS, Start
from one_run import WORKS

from adapter.run import RunError, RunSummary, run

UNFINISHED = "bundles.ndjson.unfinished"


def workers_of(pid: int) -> list[int]:
    """The worker processes of a run (Linux: proc(5))."""
    with contextlib.suppress(OSError):
        children = [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
        return [c for c in children if b"spawn_main" in Path(f"/proc/{c}/cmdline").read_bytes()]
    return []


def finished_chunks(folder: Path) -> int:
    try:
        return (folder / UNFINISHED / "journal.ndjson").read_bytes().count(b'"chunk"')
    except OSError:
        return 0


def wait_for(folder: Path, chunks: int) -> None:
    end = time.monotonic() + 60
    while finished_chunks(folder) < chunks and time.monotonic() < end:
        time.sleep(0.005)


def go_on(work: str, captures: Path, out: Path) -> RunSummary:
    """The same run in this process alone."""
    return run(WORKS[work], [captures], out, jobs=0, most=10)


def all_of(out: Path) -> dict[str, bytes]:
    """The output and what was set aside, without the file that holds how long it took and the folder's name."""
    paths = [out, *sorted(out.with_name(f"{out.name}.rejected").iterdir())]
    return {path.name: path.read_bytes().replace(bytes(out.parent), b"") for path in paths}


@pytest.fixture(scope="module")
def undisturbed(lines: list[bytes], tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """What a run gives in which nothing happens."""
    folder = tmp_path_factory.mktemp("undisturbed")
    captures, out = folder / "captures.ndjson", folder / "bundles.ndjson"
    captures.write_bytes(b"".join(lines))
    go_on("convert", captures, out)
    return all_of(out)


def test_killed_again_and_again_it_ends_as_if_never(
    captures: Path, tmp_path: Path, start: Start, undisturbed: dict[str, bytes]
) -> None:
    random, out = Random(0), tmp_path / "bundles.ndjson"
    for _ in range(2):
        going = start("convert", [captures], out, jobs=2)
        wait_for(tmp_path, min(8, finished_chunks(tmp_path) + 1))
        time.sleep(random.random() * 0.05)
        going.kill()
        going.communicate()
    going = start("convert", [captures], out, jobs=2)
    _, said = going.communicate(timeout=60)
    assert going.returncode == 0, said
    assert all_of(out) == undisturbed
    assert not (tmp_path / UNFINISHED).exists()


@pytest.mark.parametrize("work", ["parts", "each", "tables", "forms", "deidentified"])
def test_every_form_survives_a_kill(
    captures: Path, tmp_path: Path, start: Start, monkeypatch: pytest.MonkeyPatch, work: str
) -> None:
    monkeypatch.setenv("STUDY_KEY", "an invented key for tests only, 32 bytes at least")
    out, whole = tmp_path / work, tmp_path / f"{work}-whole"
    going = start(work, [captures], out, jobs=1)
    end = time.monotonic() + 60
    journal = tmp_path / f"{work}.unfinished" / "journal.ndjson"
    while not (journal.exists() and journal.read_bytes().count(b'"chunk"') >= 2) and time.monotonic() < end:
        time.sleep(0.005)
    going.kill()
    going.communicate()
    assert not out.exists()
    for folder in (out, whole):
        go_on(work, captures, folder)
    assert not (tmp_path / f"{work}.unfinished").exists()
    assert all_below(out) == all_below(whole)
    rejected = [folder.with_name(f"{folder.name}.rejected") for folder in (out, whole)]
    assert all_below(rejected[0]) == all_below(rejected[1])
    assert all_below(out)


def all_below(folder: Path) -> dict[str, bytes]:
    """What stands in a folder, but for what has the time in it."""
    paths = [path for path in folder.rglob("*") if path.is_file() and not path.name.startswith("manifest")]
    return {str(path.relative_to(folder)): path.read_bytes() for path in paths}


def test_orphans_do_not_go_on(captures: Path, tmp_path: Path, start: Start) -> None:
    going = start("convert", [captures], tmp_path / "bundles.ndjson", jobs=2)
    wait_for(tmp_path, 1)
    orphans = workers_of(going.pid)
    going.kill()
    going.communicate()
    end = time.monotonic() + 20
    while any(Path(f"/proc/{pid}").exists() for pid in orphans) and time.monotonic() < end:
        time.sleep(0.01)
    assert not [pid for pid in orphans if Path(f"/proc/{pid}").exists()]


def test_a_worker_that_is_killed_costs_nothing(
    captures: Path, tmp_path: Path, start: Start, undisturbed: dict[str, bytes]
) -> None:
    random, out = Random(0), tmp_path / "bundles.ndjson"
    going = start("convert", [captures], out, jobs=2)
    killed = 0
    for chunks in (1, 4):
        wait_for(tmp_path, chunks)
        time.sleep(random.random() * 0.02)
        for pid in workers_of(going.pid)[:1]:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
                killed += 1
    _, said = going.communicate(timeout=60)
    assert going.returncode == 0, said
    assert all_of(out) == undisturbed
    assert killed


def test_exams_that_end_workers_are_set_aside_alone(
    lines: list[bytes], converted: list[bytes], tmp_path: Path, start: Start
) -> None:
    poisoned = [
        line.replace(b"Example, Baby", words) for line, words in zip(lines, (KILLS, HANGS, BREAKS), strict=False)
    ]
    path, out = tmp_path / "poisoned.ndjson", tmp_path / "bundles.ndjson"
    path.write_bytes(b"".join([*lines[:5], *poisoned, *lines[5:40]]))
    going = start("poisoned", [path], out, jobs=2, patience=1.5)
    said, errors = going.communicate(timeout=120)
    assert going.returncode == 0, errors
    told = json.loads(said)
    assert (told["read"], told["done"], told["refused"]) == (43, 39, 4)
    assert out.read_bytes() == b"".join(converted[:39])
    rejected = tmp_path / "bundles.ndjson.rejected"
    problems = [json.loads(line) for line in (rejected / "problems.ndjson").read_bytes().splitlines()]
    assert [(e["line"], e["problems"][0]["rule"]) for e in problems[:3]] == [
        (6, "worker-lost"),
        (7, "worker-lost"),
        (8, "internal-fault"),
    ]
    assert "signal 9" in problems[0]["problems"][0]["what"]
    assert "nothing moved" in problems[1]["problems"][0]["what"]
    assert (rejected / "lines.ndjson").read_bytes() == b"".join([*poisoned, lines[17]])


def stopped(captures: Path, folder: Path, start: Start) -> None:
    """A run that was killed when some of it was done."""
    going = start("convert", [captures], folder / "bundles.ndjson", jobs=1)
    wait_for(folder, 2)
    going.kill()
    going.communicate()
    assert finished_chunks(folder) >= 2


def test_a_changed_input_is_refused_until_it_is_as_it_was(
    captures: Path, lines: list[bytes], tmp_path: Path, start: Start, undisturbed: dict[str, bytes]
) -> None:
    stopped(captures, tmp_path, start)
    out = tmp_path / "bundles.ndjson"
    for other in (b"".join([lines[0].replace(b"female", b"male"), *lines[1:]]), b"".join(lines[:15])):
        captures.write_bytes(other)
        with pytest.raises(RunError, match="not what it was") as refused:
            go_on("convert", captures, out)
        assert refused.value.exit_code == 2
    captures.write_bytes(b"".join(lines))
    go_on("convert", captures, out)
    assert all_of(out) == undisturbed


def test_other_options_or_another_process_on_the_same_are_refused(
    captures: Path, tmp_path: Path, start: Start
) -> None:
    stopped(captures, tmp_path, start)
    with pytest.raises(RunError, match="with other work") as refused:
        go_on("packed", captures, tmp_path / "bundles.ndjson")
    assert refused.value.exit_code == 2
    with (tmp_path / UNFINISHED / "journal.ndjson").open("a") as journal:
        fcntl.lockf(journal, fcntl.LOCK_EX)
        going = start("convert", [captures], tmp_path / "bundles.ndjson")
        _, said = going.communicate(timeout=60)
    assert going.returncode == 2
    assert "another process" in said


def test_a_full_disk_stops_it_and_space_lets_it_go_on(
    captures: Path, converted: list[bytes], tmp_path: Path, start: Start, undisturbed: dict[str, bytes]
) -> None:
    out = tmp_path / "bundles.ndjson"
    for part in (1, 2):  # a file may have so many bytes, as if the disk were full then (setrlimit(2), RLIMIT_FSIZE)
        limit = len(b"".join(converted)) * part // 3
        going = start("convert", [captures], out, jobs=1, file_size=limit)
        _, said = going.communicate(timeout=60)
        assert going.returncode == 5
        assert "cannot be written" in said
        assert "Traceback" not in said
        assert not out.exists()
    go_on("convert", captures, out)
    assert all_of(out) == undisturbed


def test_an_interruption_from_the_keyboard_can_be_gone_on_with(
    captures: Path, tmp_path: Path, start: Start, undisturbed: dict[str, bytes]
) -> None:
    out = tmp_path / "bundles.ndjson"
    going = start("convert", [captures], out, jobs=2)
    wait_for(tmp_path, 1)
    going.send_signal(signal.SIGINT)
    going.communicate(timeout=60)
    assert going.returncode != 0
    assert finished_chunks(tmp_path) >= 1
    go_on("convert", captures, out)
    assert all_of(out) == undisturbed


def test_a_torn_last_line_of_the_journal_does_not_count(
    captures: Path, tmp_path: Path, start: Start, undisturbed: dict[str, bytes]
) -> None:
    stopped(captures, tmp_path, start)
    journal = tmp_path / UNFINISHED / "journal.ndjson"
    journal.write_bytes(journal.read_bytes()[:-7])
    out = tmp_path / "bundles.ndjson"
    go_on("convert", captures, out)
    assert all_of(out) == undisturbed


def test_memory_does_not_grow_with_the_input(lines: list[bytes], tmp_path: Path, start: Start) -> None:
    peaks = []
    for times in (1, 6):
        path = tmp_path / f"{times}.ndjson"
        path.write_bytes(b"".join(lines * times))
        going = start("convert", [path], tmp_path / f"{times}-bundles.ndjson", jobs=1, most=15)
        said, _ = going.communicate(timeout=120)
        peaks.append(json.loads(said)["peaks"])
    for small, large in zip(*peaks, strict=True):
        assert large < small * 1.1
