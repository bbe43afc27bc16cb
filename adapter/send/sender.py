"""Drives an outbox to a server: several exams at a time, one newborn's in order, until all are sent or given up.

The failure of one exam never holds up another; the failure of the server holds up all, without counting
against any.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from adapter.problems import Problem
from adapter.send.failures import Closed, Rejected, Superseded, Unavailable, Undelivered, problem
from adapter.send.message import NOTHING_SAID, Letter, Receipt
from adapter.send.outbox import Outbox
from adapter.send.outbox.queue import superseded
from adapter.send.policy import Retry
from adapter.send.transport import Transport


class Happening(StrEnum):
    """What happened to an exam or to the run."""

    SENT = "sent"
    LATER = "later"
    DEAD = "given up"
    SUPERSEDED = "superseded"
    PAUSED = "cannot connect"


@dataclass(frozen=True, slots=True)
class Event:
    """For the log and the terminal: no patient data beyond the exam's id. ``receipt`` is of what was sent; where an
    exam was given up, of those parts that the receiver did answer to."""

    happening: Happening
    exam: str = ""
    seq: int = 0
    attempt: int = 0
    problems: tuple[Problem, ...] = ()
    receipt: Receipt = NOTHING_SAID
    pause: float = 0.0


@dataclass(slots=True)
class Summary:
    """How a run ended: how many exams were sent, given up, superseded; ``left`` are still in the outbox, and
    ``stopped`` says why the run ended before they were tried to the end."""

    sent: int = 0
    dead: int = 0
    superseded: int = 0
    left: int = 0
    stopped: tuple[Problem, ...] = ()


@dataclass(slots=True)
class _Health:
    """What all workers know of the server."""

    since: float = field(default_factory=time.monotonic)
    paused_until: float = 0.0
    pauses: int = 0


class Sender:
    """Sends what waits in ``outbox`` for the receiver of ``transport``.

    ``parallel`` exams at a time; ``on_event`` is called for each event, by one thread at a time. Raises
    :class:`~adapter.send.outbox.OutboxError` from :meth:`run` where the outbox fails; what was being sent is then
    sent again by the next run, which changes nothing on the server that arrived.
    """

    def __init__(
        self,
        outbox: Outbox,
        transport: Transport,
        *,
        retry: Retry | None = None,
        parallel: int = 4,
        on_event: Callable[[Event], None] = lambda event: None,
    ) -> None:
        self._outbox, self._transport, self._on_event = outbox, transport, on_event
        self._target = transport.target
        self._retry = retry or Retry()
        self._parallel = max(1, parallel)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._summary, self._health = Summary(), _Health()
        self._failure: BaseException | None = None

    def stop(self) -> None:
        """Let what is being sent end, and start nothing new; from any thread or a signal handler."""
        self._stop.set()

    def run(self) -> Summary:
        """Send until nothing is left to do, the server has failed for too long, or :meth:`stop` was called."""
        self._health.since = time.monotonic()
        workers = [threading.Thread(target=self._work, name=f"sender-{n}") for n in range(self._parallel)]
        for worker in workers:
            worker.start()
        try:
            for worker in workers:
                worker.join()
        except BaseException:
            self.stop()
            for worker in workers:
                worker.join()
            raise
        if self._failure is not None:
            raise self._failure
        self._summary.left = self._outbox.open_count(self._target)
        return self._summary

    def _work(self) -> None:
        try:
            while not self._stop.is_set():
                if self._wait_for_server():
                    continue
                letter = self._outbox.claim(self._target, self._retry.tries)
                if letter is not None:
                    self._attempt(letter)
                elif self._outbox.open_count(self._target) == 0:
                    return
                else:
                    self._stop.wait(self._until_next())
        except BaseException as error:
            self._failure = self._failure or error
            self._stop.set()

    def _wait_for_server(self) -> bool:
        pause = self._health.paused_until - time.monotonic()
        return pause > 0 and (self._stop.wait(min(pause, 1.0)) or True)

    def _until_next(self) -> float:
        """Seconds until something may be due; another process may change that any moment."""
        due = self._outbox.next_due(self._target)
        return min(max((due or 0.0) - time.time(), 0.02), 0.5)

    def _attempt(self, letter: Letter) -> None:
        try:
            receipt = self._transport.deliver(letter)
        except Undelivered as failure:
            self._failed(letter, failure)
        except Exception as error:
            # Such as an answer of a shape that nobody thought of: one exam's trouble, not that of all.
            self._again_or_never(letter, Undelivered([_inside(error)]))
        else:
            self._outbox.sent(letter, receipt)
            self._health.since, self._health.pauses = time.monotonic(), 0
            self._event(Happening.SENT, letter, receipt=receipt)

    def _failed(self, letter: Letter, failure: Undelivered) -> None:
        if isinstance(failure, Superseded):
            reasons = [superseded(letter.message.exam, failure.newer)]
            self._outbox.superseded(letter, reasons)
            self._event(Happening.SUPERSEDED, letter, reasons)
        elif isinstance(failure, Unavailable):
            self._pause(letter, failure)
        else:
            self._again_or_never(letter, failure)

    def _again_or_never(self, letter: Letter, failure: Undelivered) -> None:
        if isinstance(failure, Rejected) or letter.attempt >= self._retry.tries:
            self._outbox.dead(letter, failure.problems, failure.parts)
            self._event(Happening.DEAD, letter, failure.problems, Receipt(parts=failure.parts))
        else:
            pause = self._retry.pause(letter.attempt, failure.retry_after)
            self._outbox.later(letter, failure.problems, time.time() + pause)
            self._event(Happening.LATER, letter, failure.problems, pause=pause)

    def _pause(self, letter: Letter, failure: Unavailable) -> None:
        asked = failure.retry_after
        with self._lock:
            self._health.pauses += 1
            pause = self._retry.pause(self._health.pauses, asked)
            waited = time.monotonic() - self._health.since
            self._health.paused_until = max(self._health.paused_until, time.monotonic() + pause)
            if isinstance(failure, Closed) or waited + pause > self._retry.patience:
                self._summary.stopped = self._summary.stopped or tuple(failure.problems)
                self._stop.set()
        # Due at once: how long to wait is the server's business, and another run may find it well.
        self._outbox.later(letter, failure.problems, time.time() + (asked or 0.0), counted=False)
        self._event(Happening.PAUSED, letter, failure.problems, pause=pause)

    def _event(
        self,
        happening: Happening,
        letter: Letter,
        problems: Sequence[Problem] = (),
        receipt: Receipt = NOTHING_SAID,
        pause: float = 0.0,
    ) -> None:
        with self._lock:
            if happening in (Happening.SENT, Happening.DEAD, Happening.SUPERSEDED):
                name = {"sent": "sent", "given up": "dead", "superseded": "superseded"}[happening.value]
                setattr(self._summary, name, getattr(self._summary, name) + 1)
            self._on_event(
                Event(
                    happening,
                    letter.message.exam,
                    letter.seq,
                    letter.attempt,
                    tuple(problems),
                    receipt,
                    pause,
                )
            )


def _inside(error: Exception) -> Problem:
    """What failed inside, by type and place: the words of an exception may hold patient data."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    place = f"{Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}" if trace else "unknown place"
    return problem(
        "internal", f"the answers of the server could not be dealt with: {type(error).__name__} at {place}"
    )
