"""Senders against the adversary of the sandbox: what they do, and what must hold whatever happens.

No resource of others is ever written. No finding is lost, doubled, or older than what was sent after it. Every run
ends. Every exam is sent, or waits with a moment when it is due, or was given up with a reason that is true.
"""

from __future__ import annotations

import random
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import httpx
from sent_exams import amended, exam, retracted

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.sandbox import Adversary, Silence
from adapter.sandbox.adversary import BASE
from adapter.send import FhirClient, FhirTransport, Outbox, Retry, Sender, State, message_of
from adapter.send.rest.reconcile import reconciled

PATIENT = Retry(
    tries=8, first=0.0001, longest=0.0005, patience=0.03, heed=0.01, budget=3600.0, chance=random.Random(0)
)
#: Of a conflict that a search which shows too little brings about, a person must know; it is no lie.
TRUE_REASONS = {"conflict", "multiple-matches", "http-409", "http-412", "unexpected", "given-up"}


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


class Ward:
    """Newborns whose exams are recorded, amended and taken back, and sent to one hostile server."""

    def __init__(self, folder: Path, server: Adversary, catalogue: Catalogue) -> None:
        self.server, self.catalogue, self._path = server, catalogue, folder / "outbox.db"
        self.outbox = Outbox(self._path)
        self.exams: dict[str, list[Exam]] = {}
        self.backups: list[bytes] = [server.back_up()]
        self._now, self._ahead = time.time, 0.0

    def close(self) -> None:
        self.outbox.close()

    def record(self, key: str) -> None:
        """A new exam, or a later version of one."""
        versions = self.exams.setdefault(key, [])
        if not versions:
            made = exam(key)
        elif versions[-1].details.status == "entered-in-error":
            return
        elif len(versions) < 3:
            made = amended(versions[0], len(versions) + 1, rate=50 + len(versions), cry=len(versions) % 2 == 0)
        else:
            made = retracted(versions[0])
        versions.append(made)
        self.outbox.put(BASE, message_of(made, self.catalogue))

    def send(self) -> None:
        """A run, to its end."""
        with self.clock(), FhirClient(BASE, transport=Wire(self.server), allow_plain_http=True) as client:
            Sender(self.outbox, FhirTransport(client), retry=PATIENT, parallel=1).run()

    def kill(self, before: bool) -> None:
        """A process dies while it sends an exam, before or after the server has carried that out."""
        letter = self.outbox.claim(BASE, PATIENT.tries, PATIENT.longest_wait)
        if letter is not None and not before:
            client = FhirClient(BASE, transport=Wire(self.server), allow_plain_http=True)
            with client, suppress(Exception):  # whatever it was, nobody lives to note it
                FhirTransport(client).deliver(letter)
        self.outbox.close()
        self.outbox = Outbox(self._path)

    def jump(self, seconds: float) -> None:
        """The clock of the machine is set."""
        self._ahead = seconds

    @contextmanager
    def clock(self) -> Iterator[None]:
        time.time = lambda: self._now() + self._ahead
        try:
            yield
        finally:
            time.time = self._now

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
