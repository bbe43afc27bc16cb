"""Where an exam is that was handed over: in the drop folder, on its way, on the server; or refused, and why.

Read from the folder and its reports and, where one is named, from the outbox, which knows more. Nothing of the
newborn is in an answer: a state, and of a refusal the rules and what would be right.
"""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any

from adapter.files.drop import DONE, FAILED, REPORTS, TAKEN, is_file
from adapter.problems import AdapterError, Problem, Report
from adapter.send.message import Message
from adapter.send.outbox import OutboxError, OutboxRow, State
from adapter.send.outbox.ledger import Ledger

Verify = Callable[[Message], Sequence[Problem]]

_DIAGNOSTICS = re.compile(r"(?:[a-z-]+/)?(?P<rule>[\w.-]+)(?:.*?; expected: (?P<remedy>.*))?", re.DOTALL)
_AGAIN = 60.0
"""Seconds until a server that did not answer is asked again."""


class Standing(StrEnum):
    """``waiting`` to be sent; ``sent``: the server has taken it; ``verified``: read back, and it is what was sent, or
    it ``differs``; ``superseded`` by a newer version; ``refused`` here or by the server; ``unknown``: not, or no
    more, in the folder nor in the outbox."""

    WAITING = "waiting"
    SENT = "sent"
    VERIFIED = "verified"
    DIFFERS = "differs"
    SUPERSEDED = "superseded"
    REFUSED = "refused"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Whereabout:
    """Where one exam is; ``why`` holds rule and remedy of what was refused, of what differs, or of what keeps it
    waiting."""

    standing: Standing
    why: tuple[tuple[str, str], ...] = ()

    def as_json(self) -> dict[str, Any]:
        """As the page reads it."""
        return {"state": self.standing.value, "why": [{"rule": rule, "remedy": text} for rule, text in self.why]}


class Whereabouts:
    """Of the exams handed over into ``drop``, as a context manager; to be asked from any thread.

    ``outbox`` is the file of the watch on that folder, which may come to be later; ``target`` the receiver's address,
    any without it. ``verify`` reads back what was sent (:meth:`adapter.send.transport.Inspectable.verify`): once an
    exam, one at a time, in a thread of its own, so that no answer waits for the server.
    """

    def __init__(
        self, drop: Path, outbox: Path | None = None, target: str | None = None, verify: Verify | None = None
    ) -> None:
        self._drop, self._outbox, self._target, self._verify = drop, outbox, target, verify
        self._ledger: Ledger | None = None
        self._turn, self._opened = threading.Lock(), ExitStack()
        self._reading: threading.Thread | None = None
        self._read_back: dict[int, Whereabout] = {}
        self._not_before = 0.0

    def __enter__(self) -> Whereabouts:
        return self

    def __exit__(self, *_: object) -> None:
        with self._turn:
            self._opened.close()

    def of(self, exams: Iterable[str]) -> dict[str, Whereabout]:
        """Of each of these exams, by its id. Raises :class:`~adapter.send.outbox.OutboxError`, ``OSError``."""
        with self._turn:
            return {exam: self._of(exam) for exam in exams}

    def _of(self, exam: str) -> Whereabout:
        coming = _newest(self._drop, exam) or _newest(self._drop / TAKEN, exam)
        row = self._row(exam)
        if row is None or (row.state is State.DEAD and coming is not None and _younger(coming, row)):
            return Whereabout(Standing.WAITING) if coming is not None else self._ended(exam)
        if row.state is State.DEAD:
            return Whereabout(Standing.REFUSED, _why(row.reasons))
        if row.state is State.SUPERSEDED:
            return Whereabout(Standing.SUPERSEDED)
        return self._sent(row) if row.state is State.SENT else Whereabout(Standing.WAITING, _why(row.reasons))

    def _ended(self, exam: str) -> Whereabout:
        """By where the file ended; what was sent stays sent, whatever else came under its name."""
        if _newest(self._drop / DONE, exam) is not None:
            return Whereabout(Standing.SENT)
        failed = _newest(self._drop / FAILED, exam)
        return Whereabout(Standing.UNKNOWN) if failed is None else Whereabout(Standing.REFUSED, _reported(failed))

    def _row(self, exam: str) -> OutboxRow | None:
        if self._outbox is None or (self._ledger is None and not self._outbox.exists()):
            return None
        if self._ledger is None:
            self._ledger = self._opened.enter_context(Ledger(self._outbox))
        targets = [self._target] if self._target is not None else list(self._ledger.counts())
        rows = [row for target in targets if (row := self._ledger.latest(target, exam)) is not None]
        return min(rows, key=lambda row: _LEAST_FIRST.index(row.state), default=None)

    def _sent(self, row: OutboxRow) -> Whereabout:
        if (known := self._read_back.get(row.seq)) is not None:
            return known
        busy = self._reading is not None and self._reading.is_alive()
        if self._verify is not None and self._ledger is not None and not busy and time.monotonic() > self._not_before:
            work = (row.seq, self._ledger.message(row.seq), self._verify)
            self._reading = threading.Thread(target=self._back, args=work, name="read-back", daemon=True)
            self._reading.start()
        return Whereabout(Standing.SENT)

    def _back(self, seq: int, message: Message, verify: Verify) -> None:
        try:
            found = list(verify(message))
        except AdapterError:
            self._not_before = time.monotonic() + _AGAIN
            return
        if errors := Report(found).errors:
            self._read_back[seq] = Whereabout(Standing.DIFFERS, _why(errors))
        elif any(problem.rule == "superseded" for problem in found):
            self._read_back[seq] = Whereabout(Standing.SENT)
        else:
            self._read_back[seq] = Whereabout(Standing.VERIFIED)


_LEAST_FIRST = (State.DEAD, State.WAITING, State.SENDING, State.SUPERSEDED, State.SENT)


def _newest(folder: Path, exam: str) -> Path | None:
    """The file of an exam that was handed over last, of those in a folder."""
    found = [folder / f"{exam}.json", *folder.glob(f"{exam}~*.json")]
    files = [path for path in found if is_file(path) and not path.name.endswith(REPORTS)]
    try:
        return max(files, key=lambda path: path.stat().st_mtime_ns, default=None)
    except FileNotFoundError:  # it moved on meanwhile; the next look finds it
        return files[0]


def _younger(path: Path, row: OutboxRow) -> bool:
    """Whether a file was put in after a message had ended: mended, and handed over again."""
    try:
        return row.ended is not None and path.stat().st_mtime > datetime.fromisoformat(row.ended).timestamp()
    except FileNotFoundError:
        return True


def _why(problems: Iterable[Problem]) -> tuple[tuple[str, str], ...]:
    return tuple(dict.fromkeys((problem.rule, problem.remedy) for problem in problems))


def _reported(path: Path) -> tuple[tuple[str, str], ...]:
    """The rules and remedies of the errors in the report beside a file that failed; none where it cannot be read."""
    try:
        issues = json.loads(path.with_name(f"{path.name}{REPORTS[1]}").read_bytes())["issue"]
        texts = [str(one["diagnostics"]) for one in issues if one["severity"] in ("error", "fatal")]
    except (OSError, ValueError, KeyError, TypeError):
        return ()
    found = (_DIAGNOSTICS.fullmatch(text) for text in texts)
    pairs = ((match["rule"], match["remedy"] or "") for match in found if match)
    return tuple(dict.fromkeys(pair for pair in pairs if pair[0] != "summary"))


__all__ = ["OutboxError", "Standing", "Whereabout", "Whereabouts"]
