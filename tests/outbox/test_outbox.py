"""The outbox file: states, order, leases, what full, read-only and foreign files do. No server takes part."""

from __future__ import annotations

import os
import resource
import signal
import sqlite3
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from sent_exams import amended, exam, retracted
from servers import ROOT

from adapter.catalogue import Catalogue
from adapter.problems import Layer, Problem, Severity
from adapter.send import Message, MessagePart, Outbox, OutboxError, PutResult, Receipt, State, message_of

TARGET = "https://fhir.example.org/r4"
WHY = [Problem(Severity.ERROR, Layer.TRANSPORT, "http-422", "no", where="Observation x/cry", item="cry")]


@pytest.fixture
def make(catalogue: Catalogue) -> Callable[..., Message]:
    return lambda key, change=None: message_of(change(exam(key)) if change else exam(key), catalogue)


def test_what_is_put_in_waits_and_is_kept_byte_for_byte(outbox: Outbox, make: Callable[..., Message]) -> None:
    message = make("a")
    assert outbox.put(TARGET, message) is PutResult.QUEUED
    assert outbox.put(TARGET, message) is PutResult.QUEUED_BEFORE
    [row] = outbox.rows()
    assert (row.state, row.attempts, row.exam, row.target) == (State.WAITING, 0, "x-a", TARGET)
    assert outbox.message(row.seq) == message
    assert row.digest == message.digest


def test_the_same_exam_to_two_servers_is_two_messages(outbox: Outbox, make: Callable[..., Message]) -> None:
    assert outbox.put(TARGET, make("a")) is outbox.put("https://other.example.org/r4", make("a")) is PutResult.QUEUED
    assert outbox.claim("https://third.example.org/r4", 8) is None


def test_sent_it_stays_sent(outbox: Outbox, make: Callable[..., Message]) -> None:
    outbox.put(TARGET, make("a"))
    letter = outbox.claim(TARGET, 8)
    assert letter is not None
    part = MessagePart("Patient", "201", "Patient/1", "1", tuple(WHY))
    outbox.sent(letter, Receipt("1 created", (part,)))
    [row] = outbox.rows(State.SENT)
    assert row.parts == (part,)
    assert outbox.claim(TARGET, 8) is None
    assert outbox.put(TARGET, make("a")) is PutResult.SENT_BEFORE
    assert outbox.put(TARGET, make("a"), again=True) is PutResult.QUEUED


def test_given_up_it_waits_for_a_person(outbox: Outbox, make: Callable[..., Message]) -> None:
    outbox.put(TARGET, make("a"))
    letter = outbox.claim(TARGET, 8)
    assert letter is not None
    outbox.dead(letter, WHY)
    [row] = outbox.rows(State.DEAD)
    assert row.reasons == tuple(WHY)
    assert outbox.claim(TARGET, 8) is None
    assert outbox.put(TARGET, make("a")) is PutResult.DEAD_BEFORE
    assert outbox.retry(row.seq)
    again = outbox.claim(TARGET, 8)
    assert again is not None
    assert again.attempt == 1


def test_one_newborns_exams_leave_in_order(outbox: Outbox, make: Callable[..., Message]) -> None:
    for message in (make("a"), make("a", amended), make("b")):
        outbox.put(TARGET, message)
    first = outbox.claim(TARGET, 8)
    assert first is not None
    assert first.message.exam == "x-a"
    outbox.later(first, WHY, time.time() + 60)
    other = outbox.claim(TARGET, 8)
    assert other is not None
    assert other.message.exam == "x-b"
    assert outbox.claim(TARGET, 8) is None


def test_a_given_up_exam_holds_up_nothing(outbox: Outbox, make: Callable[..., Message]) -> None:
    outbox.put(TARGET, make("a"))
    outbox.put(TARGET, make("a", amended))
    first = outbox.claim(TARGET, 8)
    assert first is not None
    outbox.dead(first, WHY)
    second = outbox.claim(TARGET, 8)
    assert second is not None
    assert second.message.exam == "x-a-v2"
    outbox.sent(second)
    assert outbox.retry(first.seq)
    assert outbox.claim(TARGET, 8) is None
    assert [row.state for row in outbox.rows()] == [State.SUPERSEDED, State.SENT]


def test_what_exams_share_is_made_by_one_of_them(outbox: Outbox, make: Callable[..., Message]) -> None:
    for key in "abc":
        outbox.put(TARGET, make(key))
    first = outbox.claim(TARGET, 8)
    assert first is not None
    assert outbox.claim(TARGET, 8) is None
    outbox.sent(first)
    assert outbox.claim(TARGET, 8) is not None
    assert outbox.claim(TARGET, 8) is not None


@pytest.mark.parametrize("change", [amended, retracted])
def test_an_older_version_is_superseded(
    outbox: Outbox, make: Callable[..., Message], change: Callable[..., object]
) -> None:
    outbox.put(TARGET, make("a", change))
    assert outbox.put(TARGET, make("a")) is PutResult.SUPERSEDED
    [row] = outbox.rows(State.SUPERSEDED)
    assert make("a", change).exam in row.reasons[0].what


def test_not_due_it_is_not_claimed(outbox: Outbox, make: Callable[..., Message]) -> None:
    outbox.put(TARGET, make("a"))
    letter = outbox.claim(TARGET, 8)
    assert letter is not None
    outbox.later(letter, WHY, time.time() + 3600, counted=False)
    assert outbox.claim(TARGET, 8) is None
    [row] = outbox.rows()
    assert (row.attempts, row.reasons) == (0, tuple(WHY))
    assert outbox.next_due(TARGET) == pytest.approx(time.time() + 3600, abs=60)
    assert outbox.retry(row.seq)
    assert outbox.claim(TARGET, 8) is not None


def test_purging_takes_what_was_sent_and_nothing_else(
    outbox: Outbox, make: Callable[..., Message], tmp_path: Path
) -> None:
    for key in "abc":
        outbox.put(TARGET, make(key))
    for end in (outbox.dead, lambda letter, why: outbox.sent(letter)):
        letter = outbox.claim(TARGET, 8)
        assert letter is not None
        end(letter, WHY)
    assert outbox.purge("2000-01-01") == 0
    assert outbox.purge("9999-01-01") == 1
    assert [row.state for row in outbox.rows()] == [State.DEAD, State.WAITING]
    outbox.close()
    # SQLite, PRAGMA secure_delete: what is deleted is overwritten.
    content = b"".join(path.read_bytes() for path in tmp_path.iterdir())
    assert content.count(b'"full_urls": ') == 2


def test_an_open_batch_is_all_or_nothing(outbox: Outbox, make: Callable[..., Message]) -> None:
    def half() -> None:
        with outbox.batch():
            outbox.put(TARGET, make("a"))
            raise RuntimeError

    with pytest.raises(RuntimeError):
        half()
    assert list(outbox.rows()) == []


def test_only_its_owner_can_read_it(outbox: Outbox, make: Callable[..., Message], tmp_path: Path) -> None:
    outbox.put(TARGET, make("a"))
    outbox.claim(TARGET, 8)
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in tmp_path.iterdir()}
    assert set(modes) == {"outbox.db", "outbox.db-wal", "outbox.db-shm", "outbox.db-lock"}
    assert set(modes.values()) == {0o600}


CLAIM = """
import sys, time
from pathlib import Path
from adapter.send import Outbox
outbox = Outbox(Path(sys.argv[1]))
letter = outbox.claim(sys.argv[2], 3)
print(letter.attempt if letter else "none", flush=True)
time.sleep(60)
"""


def claimer(path: Path) -> tuple[subprocess.Popen[str], str]:
    """A process that claims one message and holds on to it; what it got."""
    process = subprocess.Popen(
        [sys.executable, "-c", CLAIM, str(path), TARGET], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    return process, process.stdout.readline().strip()


def killed(process: subprocess.Popen[str]) -> None:
    process.send_signal(signal.SIGKILL)
    process.communicate()


def test_a_lease_lives_as_long_as_its_process(outbox: Outbox, make: Callable[..., Message], tmp_path: Path) -> None:
    outbox.put(TARGET, make("a"))
    holder, got = claimer(tmp_path / "outbox.db")
    try:
        assert got == "1"
        assert outbox.claim(TARGET, 3) is None
        other, nothing = claimer(tmp_path / "outbox.db")
        killed(other)
        assert nothing == "none"
    finally:
        killed(holder)
    letter = outbox.claim(TARGET, 3)
    assert letter is not None
    assert letter.attempt == 2


def test_an_exam_that_kills_its_process_each_time_is_given_up(
    outbox: Outbox, make: Callable[..., Message], tmp_path: Path
) -> None:
    outbox.put(TARGET, make("a"))
    for attempt in ("1", "2", "3"):
        process, got = claimer(tmp_path / "outbox.db")
        killed(process)
        assert got == attempt
    assert outbox.claim(TARGET, 3) is None
    [row] = outbox.rows(State.DEAD)
    assert row.reasons[0].rule == "process-ended"


def test_closing_one_outbox_leaves_the_leases_of_another_in_the_same_process(
    outbox: Outbox, make: Callable[..., Message], tmp_path: Path
) -> None:
    outbox.put(TARGET, make("a"))
    assert outbox.claim(TARGET, 3) is not None
    with Outbox(tmp_path / "outbox.db") as other:
        assert other.claim(TARGET, 3) is None
    process, got = claimer(tmp_path / "outbox.db")
    killed(process)
    assert got == "none"


def test_something_else_is_no_outbox(tmp_path: Path) -> None:
    text, foreign = tmp_path / "notes.txt", tmp_path / "other.db"
    text.write_text("Not a database, and longer than the header of one would have to be. " * 4)
    with sqlite3.connect(foreign) as db:
        db.execute("CREATE TABLE newborns (name)")
    db.close()
    for path in (text, foreign, tmp_path / "no-folder" / "outbox.db", tmp_path):
        with pytest.raises(OutboxError) as caught:
            Outbox(path)
        assert str(path) in str(caught.value)
    assert text.read_text().startswith("Not a database")


def in_child(work: Callable[[], None]) -> None:
    """Do something in a process of its own, where limits and rights may be given up; it must end well."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            work()
            status = 0
        finally:
            os._exit(status)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


def test_a_full_disk_is_said_and_nothing_is_lost(make: Callable[..., Message], tmp_path: Path) -> None:
    # setrlimit(2), RLIMIT_FSIZE: a write beyond the limit fails as on a full disk.
    path = tmp_path / "outbox.db"
    with Outbox(path) as outbox:
        outbox.put(TARGET, make("before"))

    def fill(outbox: Outbox, queued: list[str]) -> None:
        for number in range(1000):
            outbox.put(TARGET, make(f"n{number}"))
            queued.append(f"x-n{number}")

    def until_full() -> None:
        queued: list[str] = []
        with Outbox(path) as outbox:
            resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, 150_000))
            with pytest.raises(OutboxError, match="disk is full"):
                fill(outbox, queued)
        (tmp_path / "queued").write_text(" ".join(queued))

    in_child(until_full)
    with Outbox(path) as outbox:
        queued = (tmp_path / "queued").read_text().split()
        assert [row.exam for row in outbox.rows()] == ["x-before", *queued]
        assert outbox.put(TARGET, make("after")) is PutResult.QUEUED


def test_a_read_only_place_is_said(make: Callable[..., Message], tmp_path: Path) -> None:
    path = tmp_path / "outbox.db"
    with Outbox(path) as outbox:
        outbox.put(TARGET, make("a"))

    def refused() -> None:
        if os.getuid() == 0:  # For the superuser nothing is read-only.
            for parent in [tmp_path, *tmp_path.parents]:
                if parent.stat().st_uid == 0 and str(parent).startswith("/tmp/"):
                    parent.chmod(parent.stat().st_mode | 0o055)
            path.chmod(0o444)
            os.setuid(65534)
        else:
            path.chmod(0o444)
            tmp_path.chmod(0o555)
        with pytest.raises(OutboxError, match=r"read-only|opened"):
            Outbox(path).put(TARGET, make("b"))

    try:
        in_child(refused)
    finally:
        tmp_path.chmod(0o755)
        path.chmod(0o600)
    with Outbox(path) as outbox:
        assert [row.exam for row in outbox.rows()] == ["x-a"]
        assert outbox.put(TARGET, make("b")) is PutResult.QUEUED
