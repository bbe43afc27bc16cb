"""From a taken file into the outbox: read, check, convert, validate, queue; exam by exam."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.derive.chains import Chains
from adapter.problems import Problem
from adapter.read import Reading, read
from adapter.read.plan import Plan
from adapter.send.outbox import Outbox, OutboxRow, State
from adapter.send.taken import objection
from adapter.send.transport import Transport

MOST_BYTES = 1024 * 1024 * 1024
"""The largest file that is taken; more goes through ``send``, where somebody waits for it."""


@dataclass(slots=True)
class Fate:
    """What became of one exam of a file.

    ``seq`` is its number in the outbox, None where it was refused before; ``problems`` are those found here, and
    at the end those of sending. ``again`` says that it had been sent before. ``counts`` are of findings
    recorded, not examined and not recorded.
    """

    exam: str
    source: str
    problems: tuple[Problem, ...]
    seq: int | None = None
    state: State | None = None
    again: bool = False
    counts: tuple[int, int, int] | None = None

    @property
    def open(self) -> bool:
        """Whether it is still on its way."""
        return self.seq is not None and self.state in (None, State.WAITING, State.SENDING)

    @property
    def well(self) -> bool:
        """Whether nothing is left to do for a person: sent, or overtaken by a newer version of the exam."""
        return self.state in (State.SENT, State.SUPERSEDED)


@dataclass(slots=True)
class TakenFile:
    """A file in ``taken/``; ``digest`` is the SHA-256 of its content, by which logs tell it from others; empty
    where it was not read, or is not what was read."""

    path: Path
    digest: str
    fates: list[Fate] = field(default_factory=list)

    @property
    def open(self) -> bool:
        """Whether any of its exams is still on its way."""
        return any(fate.open for fate in self.fates)

    @property
    def well(self) -> bool:
        """Whether every exam in it arrived; a file without any exam did not do well."""
        return bool(self.fates) and all(fate.well for fate in self.fates)


class Intake:
    """Queues the exams of files for the receiver of ``transport``; with ``plan`` where they are other tables."""

    def __init__(self, outbox: Outbox, transport: Transport, catalogue: Catalogue, plan: Plan | None = None) -> None:
        self._outbox, self._transport, self._catalogue, self._plan = outbox, transport, catalogue, plan
        self._target = transport.target

    def queue(self, path: Path) -> Iterator[Fate]:
        """Each exam of a file once it is in the outbox, or refused. Doing it again changes nothing.

        Raises :class:`~adapter.send.outbox.OutboxError` where the outbox cannot be used.
        """
        taken_at = datetime.fromtimestamp(path.stat().st_ctime, UTC)
        for reading in self._readings(path):
            yield self._one(reading, taken_at)

    def _readings(self, path: Path) -> Iterator[Reading]:
        # A file that is there and cannot be opened yields a reading that says so.
        return read(path, self._catalogue, self._plan, name=path.name)

    def _one(self, reading: Reading, taken_at: datetime) -> Fate:
        exam = reading.exam
        fate = Fate(exam.details.id if exam else "", reading.source, reading.problems)
        if exam is None or not reading.accepted:
            return fate
        skipped = sum(finding.not_examined is not None for finding in exam.findings)
        fate.counts = (len(exam.findings) - skipped, skipped, len(reading.unrecorded))
        chains = Chains(elsewhere=lambda version: self._outbox.known(self._target, version))
        exam = chains.rooted(exam)
        earlier = self._outbox.other_versions(self._target, exam.details.root, exam.details.id)
        made = self._transport.prepare(exam, self._catalogue, earlier, reading.source)
        fate.problems += made.problems
        if made.message is None or made.errors:
            return fate
        message = replace(made.message, precedence=chains.precedence(exam))
        if found := objection(self._outbox, self._target, message, self._catalogue):
            fate.problems += (found,)
            return fate
        self._outbox.put(self._target, message)
        row = self._outbox.latest(self._target, message.exam)
        assert row is not None, "what was put in is there"
        fate.seq, fate.state = row.seq, row.state
        if row.state is State.DEAD and _before(row, taken_at):
            # Given up before, and now dropped again: whoever did that means that it should be tried again.
            self._outbox.retry(row.seq)
            fate.state = State.WAITING
        if not fate.open:
            fate.problems += row.reasons
        fate.again = row.state is State.SENT and _before(row, taken_at)
        return fate


def _before(row: OutboxRow, moment: datetime) -> bool:
    return row.ended is not None and datetime.fromisoformat(row.ended) < moment


def digest_of(path: Path) -> str:
    """SHA-256 of a file's content, in hexadecimal; of nothing where it cannot be read."""
    found = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while piece := file.read(1024 * 1024):
                found.update(piece)
    except OSError:
        return name_digest(path)
    return found.hexdigest()


def name_digest(path: Path) -> str:
    """SHA-256 of a file's name, in hexadecimal: what logs call a file that was not read."""
    return hashlib.sha256(os.fsencode(path.name)).hexdigest()
