"""Starts the listener of :mod:`listener` and reads what it has been sent."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.send import Outbox, Retry, Sender, SendSummary
from adapter.send.mllp import MllpTransport
from adapter.send.rest.client import Timeouts
from adapter.send.sender import Event

LISTENER = Path(__file__).with_name("listener.py")
QUICK = Timeouts(connect=2, read=0.5, whole=2)
FAST = Retry(tries=4, first=0.01, longest=0.05, patience=1.0)


@dataclass(frozen=True, slots=True)
class Listening:
    """The listener's address and log."""

    url: str
    log: Path

    def received(self) -> list[dict[str, Any]]:
        """What arrived, in order: control id, answer, message."""
        return [json.loads(line) for line in self.log.read_text().splitlines()] if self.log.exists() else []

    def messages(self) -> list[str]:
        """The messages alone."""
        return [one["message"] for one in self.received()]


@contextmanager
def listening(folder: Path, *behaviours: str, certificate: Path | None = None) -> Iterator[Listening]:
    """A listener in a process of its own, which answers so; with a certificate over TLS."""
    log = folder / "received.jsonl"
    command = [sys.executable, str(LISTENER), str(log), *behaviours]
    environment = {**os.environ, **({"LISTENER_PEM": str(certificate)} if certificate else {})}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        try:
            assert process.stdout is not None
            scheme = "mllps" if certificate else "mllp"
            yield Listening(f"{scheme}://127.0.0.1:{int(process.stdout.readline())}", log)
        finally:
            process.kill()


def send(
    folder: Path, there: Listening, exams: list[Exam], catalogue: Catalogue, parallel: int = 4
) -> tuple[SendSummary, list[Event]]:
    """Queue exams in the folder's outbox and send them to the listener."""
    events: list[Event] = []
    with MllpTransport(httpx.URL(there.url), QUICK) as transport, Outbox(folder / "outbox.db") as outbox:
        for exam in exams:
            earlier = outbox.other_versions(transport.target, exam.details.root, exam.details.id)
            made = transport.prepare(exam, catalogue, earlier)
            assert made.message is not None
            outbox.put(transport.target, made.message)
        return Sender(outbox, transport, retry=FAST, parallel=parallel, on_event=events.append).run(), events


def amended(exam: Exam, status: Status = Status.AMENDED, drop: int = 0) -> Exam:
    """A later version of an exam, without its last findings."""
    changed = {"id": f"{exam.details.id}-2", "status": status, "amends": exam.details.id, "reason": "Wrong side."}
    details = exam.details.model_copy(update=changed)
    findings = exam.findings[: len(exam.findings) - drop]
    return exam.model_copy(update={"details": details, "findings": findings})
