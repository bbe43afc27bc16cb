"""Watches a drop folder: takes files, queues their exams, has them sent, and ends each file beside its report.

Nothing is remembered outside the folder and the outbox, so it may be ended at any point, by kill too. A file in
``taken/`` is worked on again: what is in the outbox is not queued twice, and what is on the server is not
changed by being sent twice. A file leaves ``taken/`` only when each of its exams has ended.
"""

from __future__ import annotations

import threading
import time
import traceback
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from queue import SimpleQueue
from typing import TypeVar

from adapter.problems import Layer, Problem, Severity
from adapter.send.failures import TO_DO, Cause
from adapter.send.outbox import Outbox, OutboxError, State
from adapter.send.policy import Retry
from adapter.send.sender import Event, Happening, Sender, SendSummary
from adapter.send.transport import Transport
from adapter.send.watch.folder import DropFolder
from adapter.send.watch.intake import MOST_BYTES, Fate, Intake, TakenFile, digest_of, name_digest
from adapter.send.watch.journal import Journal
from adapter.send.watch.metrics import Metrics
from adapter.send.watch.report import reports

_ENDED = {
    Happening.SENT: "sent",
    Happening.DEAD: "given-up",
    Happening.SUPERSEDED: "superseded",
    Happening.HELD: "held",
}


T = TypeVar("T")

MOST_STARTS = 2
"""So often is a file begun that the program does not survive."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Seconds: between looks at the folder; to rest after a fault of the disk or a server that stays away; and
    after which all is looked up again, since other processes may work on the outbox."""

    look: float = 1.0
    rest: float = 15.0
    again: float = 10.0


class Watcher:
    """One watch over ``folder``, which is held already; :meth:`run` until :meth:`stop`."""

    def __init__(
        self,
        folder: DropFolder,
        intake: Intake,
        outbox: Outbox,
        transport: Transport,
        journal: Journal,
        *,
        metrics: Metrics | None = None,
        retry: Retry | None = None,
        parallel: int = 4,
        pace: Pace = Pace(),
    ) -> None:
        self._folder, self._intake, self._outbox = folder, intake, outbox
        self._transport = transport
        self._journal, self._metrics, self._pace = journal, metrics or Metrics(), pace
        self._retry, self._parallel = retry or Retry(), parallel
        self._target = transport.target
        self._stop, self._wake = threading.Event(), threading.Event()
        self._sender: Sender | None = None
        self._todo: list[Path] = []
        self._files: list[TakenFile] = []
        self._ended: SimpleQueue[int] = SimpleQueue()
        self._looked_up = 0.0

    def stop(self) -> None:
        """End the watch after what is being done now; from any thread or a signal handler."""
        self._stop.set()
        self._wake.set()
        sender = self._sender
        if sender is not None:
            sender.stop()

    def run(self) -> None:
        """Watch until :meth:`stop`. Faults of the disk, the outbox and the server are logged and waited out."""
        self._todo = self._folder.left()
        self._journal.write("started", server=self._target, left=len(self._todo))
        sending = threading.Thread(target=self._send, name="watch-sender")
        sending.start()
        try:
            while not self._stop.is_set():
                well = self._round()
                self._stop.wait(self._pace.look if well else self._pace.rest)
        finally:
            self.stop()
            sending.join()
            self._journal.write("stopped", files_taken=len(self._todo) + len(self._files))

    def _round(self) -> bool:
        """One look at everything; False after a fault. What fails with one file is no matter of the others."""
        try:
            well = self._each(self._take, self._folder.complete())
            for path in list(self._todo):
                if not self._stop.is_set():
                    self._begin(path)
            well &= self._settle()
            self._metrics.set("files_dropped", len(self._folder.waiting()))
            self._metrics.set("files_taken", len(self._todo) + len(self._files))
            self._metrics.set("outbox_open", self._outbox.open_count(self._target))
            due = self._outbox.next_due(self._target, self._retry.longest_wait)
            self._metrics.set("next_due_timestamp_seconds", 0 if due is None else max(due, time.time()))
            self._metrics.set("last_look_timestamp_seconds", time.time())
        except OutboxError as error:
            self._fault(str(error))
            return False
        except OSError as error:
            self._fault(f"the folder cannot be used: {error.strerror or type(error).__name__}")
            return False
        return well

    def _each(self, work: Callable[[T], None], files: list[T]) -> bool:
        """Do something with each file, whatever happens with the others; whether it went well with all."""
        well = True
        for one in files:
            try:
                work(one)
            except OSError as error:
                reason = error.strerror or type(error).__name__
                self._fault(f"a file cannot be moved, or its report not be written: {reason}")
                well = False
        return well

    def _take(self, path: Path) -> None:
        self._todo.append(self._folder.take(path))

    def _begin(self, path: Path) -> None:
        """Queue the exams of a taken file."""
        if (refusal := self._refusal(path)) is not None:
            self._todo.remove(path)
            self._files.append(refusal)
            return
        file = TakenFile(path, digest_of(path))
        self._journal.write("taken", file=file.digest[:12])
        try:
            for fate in self._intake.queue(path):
                file.fates.append(fate)
                self._queued(file, fate)
                if self._stop.is_set():
                    self._folder.let_go(path, through=False)
                    return  # the rest when it is started again
        except OutboxError:
            raise
        except OSError as error:
            what = f"cannot be read: {error.strerror or type(error).__name__}"
            file.fates.append(_failed(path, "cannot-read", what, "a file that exists and may be read"))
        except Exception as error:
            # One file on which the program fails must not keep the others from being sent.
            what = f"the program failed on this file: {_place(error)}"
            self._fault(what)
            file.fates.append(_failed(path, "internal-fault", what, "a report to its makers"))
        if not file.fates:
            file.fates.append(_failed(path, "no-exam", "holds no exam", "a file with exams"))
        self._folder.let_go(path, through=True)
        self._todo.remove(path)
        self._files.append(file)

    def _refusal(self, path: Path) -> TakenFile | None:
        """A file that is not even opened: too large, or one at which the program has ended too often."""
        try:
            size = path.stat().st_size
        except OSError:
            return None  # what follows says so
        if size > MOST_BYTES:
            what = f"has {size} bytes; {MOST_BYTES} are taken at most"
            return self._refused(path, "too-large", what, "it in parts, or: newborn-adapter send")
        starts = self._folder.begin(path, self._outbox.last_number())
        if starts <= MOST_STARTS:
            return None
        what = (
            f"the program ended {MOST_STARTS} times while it was reading this file (by too little memory, or by a"
            " fault); it was not begun again. Exams in it that had been read before may have been sent"
        )
        return self._refused(path, "ended-reading", what, "a look at the file; outbox list says what was sent")

    def _refused(self, path: Path, rule: str, what: str, remedy: str) -> TakenFile:
        file = TakenFile(path, "", [_failed(path, rule, what, remedy)])
        self._metrics.add("files_refused_total", rule)
        self._journal.write("refused", problems=file.fates[0].problems, file=name_digest(path)[:12])
        return file

    def _queued(self, file: TakenFile, fate: Fate) -> None:
        name = file.digest[:12]
        if fate.seq is None:
            self._metrics.add("exams_total", "refused")
            self._journal.write("refused", problems=fate.problems, file=name, exam=fate.exam)
        elif fate.open:
            self._journal.write("queued", problems=fate.problems, file=name, exam=fate.exam, seq=fate.seq)
            self._wake.set()
        else:
            state = "sent-before" if fate.again else fate.state
            if fate.again:
                self._metrics.add("exams_total", "sent-before")
            self._journal.write("known", file=name, exam=fate.exam, seq=fate.seq, state=state)

    def _settle(self) -> bool:
        """End the files whose exams have all ended; whether that went well."""
        everything = time.monotonic() - self._looked_up >= self._pace.again
        if everything:
            self._looked_up = time.monotonic()
        changed = {self._ended.get() for _ in range(self._ended.qsize())}
        for file in list(self._files):
            for fate in file.fates:
                if fate.open and (everything or fate.seq in changed):
                    self._look_up(fate)
        return self._each(self._finish, [file for file in self._files if not file.open])

    def _look_up(self, fate: Fate) -> None:
        assert fate.seq is not None
        row = self._outbox.row(fate.seq)
        if row is None:  # only what has arrived is ever purged
            fate.state = State.SENT
            return
        fate.state = row.state
        if not fate.open:
            fate.problems += row.reasons

    def _finish(self, file: TakenFile) -> None:
        if file.digest and file.path.exists() and digest_of(file.path) != file.digest:
            what = "is not what it was when it was read: somebody wrote into it. What was sent is what was read then"
            file.fates.append(_failed(file.path, "changed-meanwhile", what, "the right file, put in anew"))
            file.digest = ""
        self._folder.let_go(file.path, through=True)
        self._folder.finish(file.path, reports(file, self._target), well=file.well)
        self._files.remove(file)
        result = "done" if file.well else "failed"
        self._metrics.add("files_total", result)
        states = Counter("refused" if fate.state is None else fate.state.value for fate in file.fates)
        name = (file.digest or name_digest(file.path))[:12]
        self._journal.write(result, file=name, exams=dict(states))

    def _send(self) -> None:
        """In a thread of its own: drive the outbox whenever there is something in it."""
        while not self._stop.is_set():
            self._wake.wait(self._pace.again)
            self._wake.clear()
            try:
                if self._stop.is_set() or not self._outbox.open_count(self._target):
                    continue
                self._sender = Sender(
                    self._outbox, self._transport, retry=self._retry, parallel=self._parallel, on_event=self._note
                )
                if self._stop.is_set():
                    return
                summary = self._sender.run()
                if summary.stopped:
                    self._held(summary)
                    self._rest()
            except OutboxError as error:
                self._fault(str(error))
                self._rest()
            except Exception as error:
                self._fault(f"sending failed inside: {_place(error)}")
                self._rest()

    def _held(self, summary: SendSummary) -> None:
        """A run ended before its time: say whose fault it is, and the one thing to do."""
        cause = summary.cause or Cause.SERVER
        self._metrics.hold(cause)
        self._journal.write(
            "server-away", problems=summary.stopped, left=summary.left, cause=cause, needed=TO_DO[cause]
        )

    def _rest(self) -> None:
        self._stop.wait(self._pace.rest)
        self._wake.set()

    def _note(self, event: Event) -> None:
        """What the sender says, into the log and the numbers."""
        ended = _ENDED.get(event.happening)
        if ended:
            self._metrics.add("exams_total", ended)
            self._ended.put(event.seq)
        if event.cause is not None:
            self._metrics.add("failures_total", event.cause)
        if event.happening is Happening.SENT:
            self._metrics.set("last_sent_timestamp_seconds", time.time())
            self._metrics.hold("")
        elif event.happening is Happening.LATER:
            self._metrics.add("attempts_failed_total")
        elif event.happening is Happening.PAUSED:
            self._metrics.add("server_pauses_total")
        self._journal.write(
            ended or ("later" if event.happening is Happening.LATER else "server-paused"),
            problems=event.problems,
            exam=event.exam,
            seq=event.seq,
            attempt=event.attempt,
            pause=round(event.pause, 1) or None,
            cause=event.cause,
            answers=dict(Counter(part.answer for part in event.receipt.parts)),
        )

    def _fault(self, what: str) -> None:
        self._metrics.add("faults_total")
        self._journal.write("fault", what=what)


def _failed(path: Path, rule: str, what: str, remedy: str) -> Fate:
    """For a file of which nothing can be said by exam."""
    return Fate("", path.name, (Problem(Severity.ERROR, Layer.CAPTURE, rule, what, remedy, file=path.name),))


def _place(error: Exception) -> str:
    """What failed and where, without the words of the exception, which may hold patients' data."""
    frame = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__} at {Path(frame.filename).name}:{frame.lineno}"
