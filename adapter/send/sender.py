"""Drives an outbox to a server: several exams at a time, one newborn's in order, until all are sent or given up.

The failure of one exam never holds up another; the failure of the server holds up all, without counting
against any.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from adapter.problems import Problem
from adapter.send.failures import Ailing, Cause, Closed, Held, Rejected, Superseded, Unavailable, Undelivered, problem
from adapter.send.health import Health, refused_alike, too_many
from adapter.send.message import NOTHING_SAID, Letter, Receipt
from adapter.send.outbox import Outbox
from adapter.send.outbox.queue import superseded
from adapter.send.policy import Retry
from adapter.send.transport import Together, Transport


class Happening(StrEnum):
    """What happened to an exam or to the run."""

    SENT = "sent"
    LATER = "later"
    DEAD = "given up"
    SUPERSEDED = "superseded"
    HELD = "held for a person"
    PAUSED = "waits"


_COUNTED = {
    Happening.SENT: "sent",
    Happening.DEAD: "dead",
    Happening.SUPERSEDED: "superseded",
    Happening.HELD: "held",
}


@dataclass(frozen=True, slots=True)
class Event:
    """For the log and the terminal: no patient data beyond the exam's id. ``receipt`` is of what was sent; where an
    exam was given up, of those parts that the receiver did answer to. ``cause`` is that of a failure; ``patience``
    the seconds for which a run goes on without success, where it waits for the receiver."""

    happening: Happening
    exam: str = ""
    seq: int = 0
    attempt: int = 0
    problems: tuple[Problem, ...] = ()
    receipt: Receipt = NOTHING_SAID
    pause: float = 0.0
    cause: Cause | None = None
    patience: float = 0.0


@dataclass(slots=True)
class SendSummary:
    """How a run ended: how many exams were sent, given up, superseded, held for a person; ``left`` are still in the
    outbox, the first of which is ``due`` (seconds since 1970; None where another process is sending it), and
    ``stopped`` says why the run ended before they were tried to the end, ``cause`` where that lies; ``counts``, of
    what was sent, how many parts by what became of them, where a receiver says that."""

    sent: int = 0
    dead: int = 0
    superseded: int = 0
    held: int = 0
    left: int = 0
    stopped: tuple[Problem, ...] = ()
    due: float | None = field(default=None, compare=False)
    cause: Cause | None = field(default=None, compare=False)
    counts: Counter[str] = field(default_factory=Counter, compare=False)


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
        self._summary, self._health = SendSummary(), Health()
        self._failure: BaseException | None = None
        self._busy, self._idle_since = 0, time.monotonic()

    def stop(self) -> None:
        """Let what is being sent end, and start nothing new; from any thread or a signal handler."""
        self._stop.set()

    def run(self) -> SendSummary:
        """Send until nothing is left to do, nothing is due within the patience of the policy, the server has failed
        for too long, or :meth:`stop` was called."""
        self._health.since = self._idle_since = time.monotonic()
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
        if self._summary.left:
            self._summary.due = self._outbox.next_due(self._target, self._retry.longest_wait)
        return self._summary

    def _work(self) -> None:
        try:
            while not self._stop.is_set():
                if self._wait_for_server():
                    continue
                letter = self._claim()
                if letter is not None:
                    try:
                        self._attempt(letter)
                    finally:
                        self._is_done()
                elif self._outbox.open_count(self._target) == 0 or not self._worth_waiting():
                    return
                else:
                    self._stop.wait(self._until_next())
        except BaseException as error:
            self._failure = self._failure or error
            self._stop.set()

    def _wait_for_server(self) -> bool:
        pause = self._health.paused_until - time.monotonic()
        return pause > 0 and (self._stop.wait(min(pause, 1.0)) or True)

    def _claim(self) -> Letter | None:
        with self._lock:
            letter = self._outbox.claim(self._target, self._retry.tries, self._retry.longest_wait)
            if letter is not None:
                self._busy += 1
            return letter

    def _is_done(self) -> None:
        with self._lock:
            self._busy -= 1
            self._idle_since = time.monotonic()

    def _worth_waiting(self) -> bool:
        """Whether something will be due soon; what another process holds on to is not waited for without end."""
        with self._lock:
            if self._busy:
                return True
            idle = time.monotonic() - self._idle_since
        due = self._outbox.next_due(self._target, self._retry.longest_wait)
        return idle < self._retry.patience and (due is None or due - time.time() < self._retry.patience)

    def _until_next(self) -> float:
        """Seconds until something may be due; another process may change that any moment."""
        due = self._outbox.next_due(self._target, self._retry.longest_wait)
        return min(max((due or 0.0) - time.time(), 0.02), 0.5)

    def _attempt(self, letter: Letter) -> None:
        try:
            receipts = self._delivered(letter)
        except Undelivered as failure:
            self._failed(letter, failure)
        except Exception as error:
            # Such as an answer of a shape that nobody thought of: one exam's trouble, not that of all.
            self._again_or_never(letter, Undelivered([_inside(error)]))
        else:
            self._outbox.sent(letter, *receipts)
            for one, receipt in zip(letter.whole, receipts, strict=True):
                with self._lock:
                    self._health.arrived(one.message.root)
                self._event(Happening.SENT, one, receipt=receipt)

    def _delivered(self, letter: Letter) -> tuple[Receipt, ...]:
        """Send it, and what goes along with it: as one where the transport can, else one after the other, which is
        done again from the first where the second does not arrive. That the first did is then the first reason."""
        if letter.along is None:
            return (self._transport.deliver(letter),)
        if isinstance(self._transport, Together):
            return self._transport.deliver_together(letter, letter.along)
        receipt = self._transport.deliver(letter)
        try:
            return receipt, self._transport.deliver(letter.along)
        except Undelivered as failure:
            failure.problems.insert(0, _half_arrived(letter.message.exam, letter.along.message.exam))
            raise

    def _failed(self, letter: Letter, failure: Undelivered) -> None:
        with self._lock:
            self._health.heard = self._health.heard or not failure.nobody
        if isinstance(failure, Superseded):
            reasons = [superseded(letter.message.exam, failure.newer)]
            self._outbox.superseded(letter, reasons)
            self._event(Happening.SUPERSEDED, letter, reasons)
        elif isinstance(failure, Held):
            self._outbox.dead(letter, failure.problems)
            with self._lock:
                self._health.given_up(letter.message.root)
            self._event(Happening.HELD, letter, failure.problems, cause=failure.cause)
        elif isinstance(failure, Unavailable):
            self._pause(letter, failure)
        elif isinstance(failure, Rejected):
            self._never(letter, failure)
        else:
            self._again_or_never(letter, failure)

    def _never(self, letter: Letter, failure: Undelivered) -> None:
        """Give it up; unless so many in a row were refused alike that it cannot be for their sake."""
        with self._lock:
            ended = self._outbox.last_ended(self._target, self._retry.alike - 1)
            alike = refused_alike(ended, letter.message.root, failure.problems, self._retry.alike)
            if not alike:
                self._outbox.dead(letter, failure.problems, failure.parts)
            self._health.given_up(letter.message.root)
        if alike:
            cause = Cause.SERVER if failure.cause is Cause.EXAM else failure.cause
            self._pause(letter, Closed([too_many(self._retry.alike), *failure.problems], cause=cause))
        else:
            receipt = Receipt(parts=failure.parts)
            self._event(Happening.DEAD, letter, failure.problems, receipt, cause=failure.cause)

    def _again_or_never(self, letter: Letter, failure: Undelivered) -> None:
        """Try it again, or give it up where the failures are held against it."""
        root, ailing = letter.message.root, isinstance(failure, Ailing)
        with self._lock:
            self._health.failed(root)
            alone = self._health.in_a_row() < self._retry.alike
            against = self._health.speaks_against(root, self._retry.tries)
            spent = letter.waited > self._retry.budget and letter.attempt >= self._retry.tries
            pause = self._retry.pause(letter.attempt, failure.retry_after)
            too_long = self._health.waited() > self._retry.patience
        if not alone:
            self._pause(letter, Unavailable(failure.problems, retry_after=failure.retry_after, cause=failure.cause))
        elif (against or spent) if ailing else letter.strikes >= self._retry.tries:
            self._never(letter, failure)
        else:
            self._outbox.later(letter, failure.problems, time.time() + pause, struck=not ailing, waits=pause)
            self._event(Happening.LATER, letter, failure.problems, pause=pause, cause=failure.cause)
            if ailing and too_long:
                self._end(failure)

    def _pause(self, letter: Letter, failure: Unavailable) -> None:
        asked = min(failure.retry_after or 0.0, self._retry.heed)
        with self._lock:
            self._health.pauses += 1
            pause = self._retry.pause(self._health.pauses, asked)
            self._health.paused_until = max(self._health.paused_until, time.monotonic() + pause)
            patience = self._retry.patient(closed=failure.nobody and not self._health.heard)
            too_long = self._health.waited() + pause > patience
        # Due at once: how long to wait is the server's business, and another run may find it well. After what has
        # not been tried yet, all the same.
        self._outbox.later(letter, failure.problems, time.time() + asked, counted=False, waits=pause)
        ends = isinstance(failure, Closed) or too_long
        pause, patience = (0.0, 0.0) if ends else (pause, patience)
        self._event(Happening.PAUSED, letter, failure.problems, pause=pause, cause=failure.cause, patience=patience)
        if ends:
            self._end(failure)

    def _end(self, failure: Undelivered) -> None:
        """Let the run end, for this reason."""
        with self._lock:
            if not self._summary.stopped:
                self._summary.stopped, self._summary.cause = tuple(failure.problems), failure.cause
        self._stop.set()

    def _event(
        self,
        happening: Happening,
        letter: Letter,
        problems: Sequence[Problem] = (),
        receipt: Receipt = NOTHING_SAID,
        pause: float = 0.0,
        cause: Cause | None = None,
        patience: float = 0.0,
    ) -> None:
        with self._lock:
            if happening in _COUNTED:
                name = _COUNTED[happening]
                setattr(self._summary, name, getattr(self._summary, name) + 1)
            if happening is Happening.SENT:
                self._summary.counts.update(receipt.counts)
            self._on_event(
                Event(
                    happening,
                    letter.message.exam,
                    letter.seq,
                    letter.attempt,
                    tuple(problems),
                    receipt,
                    pause,
                    cause,
                    patience,
                )
            )


def _half_arrived(first: str, second: str) -> Problem:
    """That of two that go together only the first has been taken."""
    what = f"{first} has arrived and {second} has not: the exam is taken back there, and not yet recorded anew"
    remedy = f"what is said of {second} mended at the receiver; then outbox retry, which sends both again"
    return problem("half-arrived", what, remedy)


def _inside(error: Exception) -> Problem:
    """What failed inside, by type and place: the words of an exception may hold patient data."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    place = f"{Path(trace.tb_frame.f_code.co_filename).name}:{trace.tb_lineno}" if trace else "unknown place"
    return problem(
        "internal", f"the answers of the server could not be dealt with: {type(error).__name__} at {place}"
    )
