"""A third kind of receiver in one file: a folder of another program, that takes an exam as one JSON file.

It knows nothing of FHIR, HTTP or acknowledgements, and works with ``send``, ``outbox`` and ``watch`` by being one
class and one registered scheme.
"""

from __future__ import annotations

import io
import json
import shutil
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from adapter.catalogue import Catalogue
from adapter.cli import cli
from adapter.derive.versions import precedence_of
from adapter.exam import Exam
from adapter.read import read
from adapter.send import Message, MessagePart, Outbox, OutboxRow, Receipt, Retry, Sender, SendSummary, State
from adapter.send.failures import Closed, Failed, Rejected, Superseded, Unavailable, problem
from adapter.send.message import Letter
from adapter.send.target import KINDS, Target, TransportKind
from adapter.send.transport import Prepared, Transport
from adapter.send.watch import DropFolder, Intake, Journal, Pace, Watcher

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
FIRST = CAPTURES / "d07-1-boy-palate-part-seen.json"
VERSIONS = sorted(CAPTURES.glob("d10-*.json"))
FAST = Retry(tries=3, first=0.01, longest=0.05, patience=0.3)


class FolderTransport:
    """Delivers to the folder at ``path``; what is to go wrong with an exam stands in ``wrong`` under its id."""

    wrong: dict[str, list[Exception]] = {}

    def __init__(self, path: Path) -> None:
        self._path = path

    @property
    def target(self) -> str:
        return f"folder://{self._path}"

    def prepare(
        self,
        exam: Exam,
        catalogue: Catalogue,
        earlier: Sequence[tuple[OutboxRow, Message]] = (),
        source: str = "",
    ) -> Prepared:
        details = exam.details
        if details.kind == "follow-up":
            return Prepared(None, (problem("no-place", "the folder takes no follow-ups"),))
        content = json.dumps({"exam": details.id, "findings": len(exam.findings), "after": len(earlier)}).encode()
        newborn = exam.newborn.identifiers[0].value
        digest = sha256(exam.model_dump_json().encode()).hexdigest()
        own = {"name": f"{details.root}.json"}
        return Prepared(Message(details.id, details.root, newborn, precedence_of(exam), content, digest, own=own))

    def deliver(self, letter: Letter) -> Receipt:
        todo = self.wrong.get(letter.message.exam)
        if todo:
            raise todo.pop(0)
        place = self._path / str(letter.message.own["name"])
        try:
            place.write_bytes(letter.message.payload)
        except OSError as error:
            raise Unavailable([problem("no-folder", f"the folder cannot be written: {error.strerror}")]) from None
        return Receipt(f"filed after {len(letter.before)}", (MessagePart(place.name, "filed", version="7"),))


@contextmanager
def opened(target: Target) -> Iterator[Transport]:
    yield FolderTransport(Path(target.url.removeprefix("folder://")))


@pytest.fixture
def inbox(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The other program's folder; its scheme is known while the test runs."""
    monkeypatch.setitem(KINDS, "folder", TransportKind(opened, frozenset({"auth", "tls"}), "a folder has none"))
    monkeypatch.setattr(FolderTransport, "wrong", {})
    path = tmp_path / "inbox"
    path.mkdir()
    return path


@pytest.fixture
def run(tmp_path: Path, inbox: Path) -> Callable[..., Result]:
    """A command with the outbox of the test; ``send`` with the folder as its target."""

    def command(name: str, *arguments: object) -> Result:
        words = [name, *map(str, arguments), "--outbox", str(tmp_path / "outbox.db")]
        if name == "send":
            target = tmp_path / "target.yaml"
            target.write_text(json.dumps({"url": f"folder://{inbox}", "retry": {"first": 0.01, "patience": 0.2}}))
            words += ["--target", str(target)]
        return CliRunner().invoke(cli, words)

    return command


def test_sent_once_and_shown(run: Callable[..., Result], inbox: Path) -> None:
    done = run("send", FIRST)
    assert done.exit_code == 0, done.output
    assert "sent (filed after 0)" in done.output
    [filed] = inbox.iterdir()
    assert json.loads(filed.read_bytes())["after"] == 0
    assert "0 sent, 1 sent before" in run("send", FIRST).output
    shown = run("outbox", "show", 1).output
    assert f"filed {filed.name}  version 7" in shown
    assert run("outbox", "export", 1).output == filed.read_text()


def test_versions_keep_their_order_and_know_each_other(run: Callable[..., Result], inbox: Path) -> None:
    done = run("send", *VERSIONS)
    assert "2 sent" in done.output
    assert "sent (filed after 1)" in done.output
    [filed] = inbox.iterdir()
    assert json.loads(filed.read_bytes())["after"] == 1
    assert "1 sent before" in run("send", VERSIONS[0]).output


def test_a_receiver_that_is_away_counts_against_no_exam(run: Callable[..., Result], inbox: Path) -> None:
    inbox.rmdir()
    done = run("send", FIRST)
    assert (done.exit_code, "1 left in the outbox" in done.output) == (3, True)
    assert "0 attempts: the folder cannot be written" in run("outbox", "list").output
    inbox.mkdir()
    assert "1 sent" in run("send").output


def test_given_up_and_tried_again(run: Callable[..., Result], inbox: Path) -> None:
    FolderTransport.wrong["demo-d07-1"] = [
        Rejected([problem("too-long", "no room for it")], parts=[MessagePart("it", "no")])
    ]
    done = run("send", FIRST)
    assert (done.exit_code, "1 given up" in done.output) == (3, True)
    assert "no it" in run("outbox", "show", 1).output
    assert "1 will be tried again" in run("outbox", "retry", 1).output
    assert "1 sent" in run("send").output


@pytest.mark.parametrize(
    ("failures", "summary"),
    [
        ([Failed([problem("busy", "busy")], retry_after=0.01)] * 2, SendSummary(sent=1)),
        ([Failed([problem("busy", "busy")])] * 3, SendSummary(dead=1)),
        ([ValueError("a fault of the transport itself")] * 3, SendSummary(dead=1)),
        ([Unavailable([problem("away", "away")])] * 5, SendSummary(sent=1)),
        ([Superseded("a-newer-one")], SendSummary(superseded=1)),
        (
            [Closed([problem("no-key", "no key")])],
            SendSummary(left=1, stopped=(problem("no-key", "no key"),)),
        ),
    ],
)
def test_each_kind_of_failure(
    failures: list[Exception], summary: SendSummary, inbox: Path, catalogue: Catalogue, tmp_path: Path
) -> None:

    exam = next(iter(read(FIRST, catalogue))).exam
    assert exam is not None
    FolderTransport.wrong[exam.details.id] = list(failures)
    transport = FolderTransport(inbox)
    with Outbox(tmp_path / "outbox.db") as outbox:
        message = transport.prepare(exam, catalogue).message
        assert message is not None
        outbox.put(transport.target, message)
        assert Sender(outbox, transport, retry=FAST, parallel=1).run() == summary


def test_what_it_cannot_take_or_be_asked_is_said(run: Callable[..., Result], inbox: Path, tmp_path: Path) -> None:
    assert "--dry-run is for FHIR servers" in run("send", FIRST, "--dry-run").output
    assert "auth: not for folder; a folder has none" in run("send", FIRST, "--token-env", "TOKEN").output
    record = json.loads(FIRST.read_text())
    record["exam"]["kind"] = "follow-up"
    (tmp_path / "later.json").write_text(json.dumps(record))
    refused = run("send", tmp_path / "later.json")
    assert (refused.exit_code, "takes no follow-ups" in refused.output) == (1, True)
    assert list(inbox.iterdir()) == []


def test_watched(inbox: Path, catalogue: Catalogue, tmp_path: Path) -> None:
    drop, log = tmp_path / "drop", io.StringIO()
    drop.mkdir()
    FolderTransport.wrong["demo-d07-1"] = [Failed([problem("busy", "busy")])]
    transport = FolderTransport(inbox)
    with Outbox(tmp_path / "outbox.db") as outbox, DropFolder(drop, settle=0.05) as folder:
        pace = Pace(look=0.02, rest=0.1, again=0.2)
        intake = Intake(outbox, transport, catalogue)
        watcher = Watcher(folder, intake, outbox, transport, Journal(log), retry=FAST, pace=pace)
        thread = threading.Thread(target=watcher.run)
        thread.start()
        try:
            shutil.copy(FIRST, drop)
            limit = time.monotonic() + 60
            while not (drop / "done" / FIRST.name).exists() and time.monotonic() < limit:
                time.sleep(0.02)
        finally:
            watcher.stop()
            thread.join()
        assert [row.state for row in outbox.rows()] == [State.SENT]
    assert (drop / "done" / FIRST.name).exists()
    sent = next(one for one in map(json.loads, log.getvalue().splitlines()) if one["event"] == "sent")
    assert sent["answers"] == {"filed": 1}
