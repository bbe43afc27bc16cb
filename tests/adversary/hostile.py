"""Senders against the adversary of the sandbox: what they do, and what must hold whatever happens.

No resource of others is ever written. No finding is lost, doubled, or older than what was sent after it. Every run
ends. Every exam is sent, or waits with a moment when it is due, or was given up with a reason that is true.
"""

from __future__ import annotations

import io
import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from hashlib import sha256
from pathlib import Path

import httpx
from sent_exams import amended, exam, retracted

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.read import to_json
from adapter.sandbox import Adversary, Silence
from adapter.sandbox.adversary import BASE
from adapter.send import FhirClient, Outbox, Retry, Sender, State
from adapter.send.rest.reconcile import reconciled
from adapter.send.watch.folder import DropFolder
from adapter.send.watch.intake import Intake
from adapter.send.watch.journal import Journal
from adapter.send.watch.watcher import Pace, Watcher
from tests.adversary.prepared import FhirOnce

PATIENT = Retry(
    tries=8, first=0.0001, longest=0.0005, patience=0.03, heed=0.01, budget=3600.0, chance=random.Random(0)
)
_RESTLESS = Pace(look=0.002, rest=0.002, again=0.002)
#: Of a conflict that a search which shows too little brings about, a person must know; it is no lie.
TRUE_REASONS = {"conflict", "multiple-matches", "http-409", "http-412", "unexpected", "given-up"}


Acts = dict[str, tuple[int, Callable[[], None]]]
"""By name: how often, and what is done."""


class Wire(httpx.BaseTransport):
    """Requests go to the adversary, and nowhere else."""

    def __init__(self, server: Adversary) -> None:
        self._server = server

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        path = request.url.path.removeprefix("/fhir")
        try:
            status, headers, content = self._server.answer(
                request.method, path, request.url.query.decode(), dict(request.headers), request.read()
            )
        except Silence:
            raise httpx.ReadError("silence") from None
        headers.pop("content-length", None)
        return httpx.Response(status, headers=headers, content=content)


def next_version(key: str, versions: Sequence[Exam]) -> Exam | None:
    """A new exam, or the version that follows those there are; None after a retraction."""
    if not versions:
        return exam(key)
    if versions[-1].details.status == "entered-in-error":
        return None
    if len(versions) < 3:
        return amended(versions[0], len(versions) + 1, rate=50 + len(versions), cry=len(versions) % 2 == 0)
    return retracted(versions[0])


@contextmanager
def set_clock(ahead: float) -> Iterator[None]:
    """The machine's clock stands so many seconds ahead."""
    now = time.time
    time.time = lambda: now() + ahead
    try:
        yield
    finally:
        time.time = now


class Ward:
    """Newborns whose exams are recorded, amended and taken back, and sent to one hostile server."""

    def __init__(self, folder: Path, server: Adversary, catalogue: Catalogue) -> None:
        self.server, self.catalogue, self._path = server, catalogue, folder / "outbox.db"
        self.outbox = Outbox(self._path)
        self.exams: dict[str, list[Exam]] = {}
        self.backups: list[bytes] = [server.back_up()]
        self._ahead = 0.0

    def close(self) -> None:
        self.outbox.close()
        self.server.close()

    def strikes(self) -> dict[str, int]:
        """How often the server did what."""
        return {power.value: count for power, count in self.server.done.items()}

    def acts(self, chance: random.Random) -> Acts:
        """What may happen, and how often."""
        return {
            "record": (6, lambda: self.record(chance.choice("abcd"))),
            "send": (5, self.send),
            "kill": (1, lambda: self.kill(chance.random() < 0.5)),
            "jump": (1, lambda: self.jump(chance.choice((0.0, 3e7, -3e7, 1e9)))),
            "back up": (1, lambda: self.backups.append(self.server.back_up())),
            "restore": (1, lambda: self.server.restore(chance.choice(self.backups))),
        }

    def record(self, key: str) -> None:
        """A new exam, or a later version of one."""
        versions = self.exams.setdefault(key, [])
        made = next_version(key, versions)
        if made is not None:
            versions.append(made)
            self.hand_over(made)

    def hand_over(self, made: Exam) -> None:
        """To be sent."""
        with FhirClient(BASE, transport=Wire(self.server), allow_plain_http=True) as client:
            message = FhirOnce(client).prepare(made, self.catalogue).message
        assert message is not None
        self.outbox.put(BASE, message)

    def send(self) -> None:
        """A run, to its end."""
        with set_clock(self._ahead), FhirClient(BASE, transport=Wire(self.server), allow_plain_http=True) as client:
            Sender(self.outbox, FhirOnce(client), retry=PATIENT, parallel=1).run()

    def kill(self, before: bool) -> None:
        """A process dies while it sends an exam, before or after the server has carried that out."""
        letter = self.outbox.claim(BASE, PATIENT.tries, PATIENT.longest_wait)
        if letter is not None and not before:
            client = FhirClient(BASE, transport=Wire(self.server), allow_plain_http=True)
            with client, suppress(Exception):  # whatever it was, nobody lives to note it
                FhirOnce(client).deliver(letter)
        self.outbox.close()
        self.outbox = Outbox(self._path)

    def jump(self, seconds: float) -> None:
        """The clock of the machine is set."""
        self._ahead = seconds

    def check(self) -> None:
        """What must hold at any moment."""
        touched = self.server.touched()
        assert touched == [], touched
        for row in self.outbox.rows():
            if row.state is State.DEAD:
                assert {one.rule for one in row.reasons} <= TRUE_REASONS, row.reasons
        doubled = [name for name, count in self._names().items() if count > 1]
        assert doubled == []

    def settle(self) -> None:
        """The server is well again, a person has mended what is for a person to mend: then all is there."""
        self.server.calm, self._ahead = True, 0.0
        for _ in range(3):
            for row in self.outbox.rows(State.DEAD, State.WAITING):
                self.outbox.retry(row.seq)
            self.send()
            with FhirClient(BASE, transport=Wire(self.server), allow_plain_http=True) as client:
                lost = [
                    found
                    for history in self.outbox.arrived(BASE)
                    if (found := reconciled(client, self.catalogue, history)).differences
                ]
            for one in lost:
                row = self.outbox.latest(BASE, one.exam)
                assert row is not None
                self.outbox.put(BASE, self.outbox.message(row.seq), again=True)
            if not lost and not list(self.outbox.rows(State.DEAD, State.WAITING)):
                break
        assert lost == []
        self.check()
        assert {row.state for row in self.outbox.rows()} <= {State.SENT, State.SUPERSEDED}
        for versions in self.exams.values():
            self._as_the_last(versions)

    def _names(self) -> Counter[tuple[str, str]]:
        return Counter(
            (one["resourceType"], identifier["value"])
            for one in self.server.held()
            for identifier in one["identifier"][:1]
        )

    def _as_the_last(self, versions: list[Exam]) -> None:
        """The server holds of an exam what its last version says, and nothing of an earlier one beside it."""
        last, root = versions[-1], versions[0].details.id
        held = {
            one["identifier"][0]["value"]: one
            for one in self.server.held()
            if one["resourceType"] == "Observation" and one["identifier"][0]["value"].startswith(f"{root}/")
        }
        live = {name for name, one in held.items() if one["status"] != "entered-in-error" and "/panel/" not in name}
        if last.details.status == "entered-in-error":
            assert live == set(), (root, live)
            return
        meant = {
            f"{root}/{finding.item}" + (f"/{finding.side.value}" if finding.side else "") for finding in last.findings
        }
        assert meant <= live, (root, meant - live)
        assert (f"{root}/cry" in live) == any(finding.item == "cry" for finding in last.findings)
        rate = next(finding for finding in last.findings if finding.item == "respiratory_rate")
        found = held[f"{root}/respiratory_rate"]["valueQuantity"]["value"]
        assert found == rate.value.value, (root, found)  # type: ignore[union-attr]


class WatchWard(Ward):
    """The same, through a drop folder that is watched for a moment at a time, and ended wherever it is."""

    def __init__(self, folder: Path, server: Adversary, catalogue: Catalogue) -> None:
        super().__init__(folder, server, catalogue)
        self._drop = folder / "drop"
        self._drop.mkdir()

    def hand_over(self, made: Exam) -> None:
        """Into the folder, under a name that says nothing of the order."""
        digest = sha256(made.details.id.encode()).hexdigest()
        (self._drop / f"{digest[:8]}.json").write_bytes(to_json(made))

    def send(self) -> None:
        """Watch until nothing is left in the folder, or for a moment; what was failed is dropped again."""
        for file in (self._drop / "failed").glob("*.json"):
            if not file.name.endswith(".report.json"):
                file.rename(self._drop / file.name)
        client = FhirClient(BASE, transport=Wire(self.server), allow_plain_http=True)
        with set_clock(self._ahead), client, DropFolder(self._drop, settle=0.0) as folder:
            transport = FhirOnce(client)
            intake = Intake(self.outbox, transport, self.catalogue)
            journal = Journal(io.StringIO())
            watcher = Watcher(
                folder, intake, self.outbox, transport, journal, retry=PATIENT, parallel=1, pace=_RESTLESS
            )
            watching = threading.Thread(target=watcher.run)
            watching.start()
            until = time.monotonic() + (60.0 if self.server.calm else 0.3)
            while time.monotonic() < until and (folder.waiting() or folder.left() or self.outbox.open_count(BASE)):
                time.sleep(0.005)
            watcher.stop()
            watching.join()

    def settle(self) -> None:
        """As any; and every file is done."""
        super().settle()
        left = [path.name for part in (".", "taken", "failed") for path in (self._drop / part).glob("*.json")]
        assert left == [], left
