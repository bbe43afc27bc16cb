"""The outbox's doings: put in, claim, note what became of it; list, retry, export, purge."""

from __future__ import annotations

import json
import time
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from enum import StrEnum
from pathlib import Path

from adapter.derive.versions import RETRACTED
from adapter.problems import Problem
from adapter.send.failures import problem
from adapter.send.message import NOTHING_SAID, Letter, Message, MessagePart, Receipt
from adapter.send.outbox.arrived import digests, note
from adapter.send.outbox.ledger import MAY_LEAVE, Ledger, moment
from adapter.send.outbox.owners import Owners
from adapter.send.outbox.rows import MESSAGE, State, message_of_row, parts, problems_text
from adapter.send.outbox.schema import OutboxError


class PutResult(StrEnum):
    """What became of a message that was put in."""

    QUEUED = "queued"
    QUEUED_BEFORE = "queued before"
    SENT_BEFORE = "sent before"
    DEAD_BEFORE = "given up before"
    SUPERSEDED = "superseded"


# As adapter.derive.versions.Precedence says; of two retractions, which say the same, the one seen later.
_NEWER = """
SELECT newer.exam FROM message AS newer
WHERE newer.target = :target AND newer.root = :root AND newer.exam <> :exam AND newer.state IN ({states})
  AND (newer.rank > :rank
    OR newer.rank = :rank AND :rank < {retracted} AND newer.depth > :depth
    OR newer.rank = :rank AND :rank < {retracted} AND newer.depth = :depth AND newer.recorded > :recorded
    OR newer.rank = :rank AND :rank = {retracted} AND
      (SELECT min(seq) FROM message WHERE target = :target AND root = :root AND exam = newer.exam) >
      coalesce((SELECT min(seq) FROM message WHERE target = :target AND root = :root AND exam = :exam), 9e18))
ORDER BY newer.rank DESC, newer.depth DESC, newer.recorded DESC, newer.seq DESC LIMIT 1
"""

# Exams that share something the server may not have yet (the software's Device, an examiner) do not leave side by
# side, so that no two of them make it. (CROSS JOIN tells SQLite to begin with the few that are being sent.) What was
# tried least lately goes first, so that no exam holds up the others. What would be put off for longer than anything
# ever is was noted while the clock was wrong: it is due now.
_NEXT = f"""
SELECT seq, attempts + 1, strikes + 1, waited, {MESSAGE} FROM message AS m
WHERE target = :target AND state = 'waiting' AND (due <= :now OR due > :now + :longest) AND {MAY_LEAVE}
  AND NOT EXISTS (SELECT 1 FROM message AS o CROSS JOIN shared AS theirs CROSS JOIN shared AS mine
                  WHERE o.target = :target AND o.state = 'sending' AND theirs.seq = o.seq
                    AND mine.seq IN (m.seq, (SELECT seq FROM message WHERE follows = m.seq))
                    AND mine.name = theirs.name AND NOT EXISTS
                    (SELECT 1 FROM known WHERE known.target = :target AND known.name = mine.name))
ORDER BY due, seq LIMIT 1
"""  # noqa: S608

_DAY = 86_400.0


class Outbox(Ledger):
    """An outbox file, made where there is none; safe to use from many threads and processes.

    Everything raises :class:`OutboxError` where the file cannot be used; a change is then not made at all.
    """

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._owners = Owners(path)
        self._owner: int | None = None

    def close(self) -> None:
        """Close the file; what this object was sending is free for others."""
        with self._lock:
            if self._owner is not None:
                self._owners.leave(self._owner)
                self._owner = None
        super().close()

    @contextmanager
    def batch(self) -> Iterator[None]:
        """Several changes as one: all or none, and one wait for the disk."""
        with self._change(durable=True):
            yield

    def put(self, target: str, message: Message, *, again: bool = False) -> PutResult:
        """Queue a message for the server at ``target``; it is on the disk when this returns.

        What was sent there before is not queued a second time, unless ``again``; what a newer version has
        overtaken is kept as superseded.
        """
        with self._change(durable=True) as db:
            last = db.execute(
                "SELECT digest, state FROM message WHERE target = ? AND exam = ? ORDER BY seq DESC LIMIT 1",
                (target, message.exam),
            ).fetchone()
            if last is not None and last[0] == message.digest:
                before = State(last[1])
                if before in (State.WAITING, State.SENDING):
                    return PutResult.QUEUED_BEFORE
                if not again or before is State.SUPERSEDED:
                    return {State.SENT: PutResult.SENT_BEFORE, State.DEAD: PutResult.DEAD_BEFORE}.get(
                        before, PutResult.SUPERSEDED
                    )
            newer = self._newer(target, message, ("waiting", "sending", "sent"))
            self._insert(target, message, newer)
            return PutResult.SUPERSEDED if newer else PutResult.QUEUED

    def put_together(self, target: str, message: Message, along: Message) -> PutResult:
        """Queue two messages that arrive together or not at all, the one right before the other; both are on the
        disk when this returns, or neither. What was queued or sent there before is not queued a second time."""
        with self._change(durable=True) as db:
            sql = "SELECT state FROM message WHERE target = ? AND digest = ? AND exam = ? AND state <> 'dead'"
            before = db.execute(sql, (target, along.digest, along.exam)).fetchone()
            if before is not None:
                sent = State(before[0]) is State.SENT
                return PutResult.SENT_BEFORE if sent else PutResult.QUEUED_BEFORE
            self._insert(target, along, None, follows=self._insert(target, message, None))
            return PutResult.QUEUED

    def claim(self, target: str, tries: int, longest: float = _DAY) -> Letter | None:
        """The next message to send to ``target``, now in state ``sending`` under this object's lease.

        None where nothing is due; ``longest`` are the most seconds for which anything is put off. A message whose
        process died ``tries`` times while sending it is given up.
        """
        with self._change() as db:
            self._free(target, tries)
            while True:
                values = {"target": target, "now": time.time(), "longest": longest}
                row = db.execute(_NEXT, values).fetchone()
                if row is None:
                    return None
                seq, attempt, strikes, waited, *content = row
                message = message_of_row(content, self._shared(seq))
                letter = Letter(
                    seq,
                    attempt,
                    target,
                    message,
                    self._before(target, message),
                    strikes,
                    waited,
                    self._rooted(target, message),
                    digests(db, target, message.root),
                    self._along(seq, attempt, target),
                )
                newer = self._newer(target, message, ("sent",))
                if newer:
                    self.superseded(letter, [superseded(message.exam, newer)])
                    continue
                db.executemany(
                    "UPDATE message SET state = 'sending', attempts = ?, strikes = ?, owner = ? WHERE seq = ?",
                    [(attempt, strikes, self._lease(), one.seq) for one in letter.whole],
                )
                return letter

    def sent(self, letter: Letter, receipt: Receipt = NOTHING_SAID, along: Receipt = NOTHING_SAID) -> None:
        """It arrived, and what goes along with it."""
        with self._change() as db:
            for one, said in zip(letter.whole, (receipt, along), strict=False):
                self._end(one.seq, State.SENT, [], said.parts)
                note(db, one.target, one.message, said.parts, moment())
                known = [(one.target, name) for name in one.message.shared]
                db.executemany("INSERT OR IGNORE INTO known VALUES (?, ?)", known)

    def later(
        self,
        letter: Letter,
        reasons: Sequence[Problem],
        due: float,
        *,
        counted: bool = True,
        struck: bool = True,
        waits: float = 0.0,
    ) -> None:
        """It did not arrive; try again at ``due`` (seconds since 1970), after ``waits`` seconds.

        ``counted`` False: it was as good as no attempt; ``struck`` False: one that is not held against the exam.
        """
        with self._change() as db:
            attempts, strikes = letter.attempt - (not counted), letter.strikes - (not (counted and struck))
            values = (due, problems_text(reasons), attempts, strikes, waits)
            db.executemany(
                "UPDATE message SET state = 'waiting', owner = NULL, due = ?, reasons = ?, attempts = ?, strikes = ?,"
                " waited = waited + ? WHERE seq = ? AND state = 'sending' AND owner = ?",
                [(*values, one.seq, self._owner) for one in letter.whole],
            )

    def dead(self, letter: Letter, reasons: Sequence[Problem], parts: Sequence[MessagePart] = ()) -> None:
        """It is given up, with the reasons, and what goes along with it."""
        with self._change():
            for one in letter.whole:
                self._end(one.seq, State.DEAD, reasons, parts if one is letter else [])

    def superseded(self, letter: Letter, reasons: Sequence[Problem]) -> None:
        """The server has a newer version. What goes along with it is given up: a person decides."""
        with self._change():
            self._end(letter.seq, State.SUPERSEDED, reasons, [])
            if letter.along is not None:
                self._end(letter.along.seq, State.DEAD, reasons, [])

    def _along(self, seq: int, attempt: int, target: str) -> Letter | None:
        """What goes along with a message."""
        row = self._db.execute(f"SELECT seq, {MESSAGE} FROM message WHERE follows = ?", (seq,)).fetchone()  # noqa: S608
        if row is None:
            return None
        own, *content = row
        message = message_of_row(content, self._shared(own))
        before, rooted = self._before(target, message), self._rooted(target, message)
        arrived = digests(self._db, target, message.root)
        return Letter(own, attempt, target, message, before, rooted=rooted, digests=arrived)

    def _insert(self, target: str, message: Message, newer: str | None, follows: int | None = None) -> int | None:
        reasons = [superseded(message.exam, newer)] if newer else []
        now = moment()
        made = self._db.execute(
            "INSERT INTO message (target, exam, root, newborn, rank, depth, recorded, amends, follows, digest, own,"
            " payload, state, reasons, queued, ended) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                target,
                message.exam,
                message.root,
                message.newborn,
                message.precedence.rank,
                message.precedence.depth,
                seconds(message.precedence.recorded),
                message.amends,
                follows,
                message.digest,
                json.dumps(message.own),
                zlib.compress(message.payload, 1),
                State.SUPERSEDED if newer else State.WAITING,
                problems_text(reasons),
                now,
                now if newer else None,
            ),
        )
        names = [(made.lastrowid, name) for name in message.shared]
        self._db.executemany("INSERT INTO shared VALUES (?, ?)", names)
        return made.lastrowid

    def _newer(self, target: str, message: Message, states: Sequence[str]) -> str | None:
        sql = _NEWER.format(states=", ".join(f"'{state}'" for state in states), retracted=RETRACTED)
        own = message.precedence
        values = {"target": target, "root": message.root, "exam": message.exam, "rank": own.rank}
        values |= {"depth": own.depth, "recorded": seconds(own.recorded)}
        found = self._db.execute(sql, values).fetchone()
        return None if found is None else str(found[0])

    def _free(self, target: str, tries: int) -> None:
        """What a process that died was sending, waits again; or is given up if that happens with it each time."""
        sql = "SELECT seq, owner, strikes FROM message WHERE target = ? AND state = 'sending'"
        for seq, owner, strikes in self._db.execute(sql, (target,)).fetchall():
            if self._owners.alive(owner):
                continue
            if strikes >= tries:
                what = f"the process ended {strikes} times while it was sending this exam"
                self._end(seq, State.DEAD, [problem("process-ended", what)], [])
            else:
                self._db.execute("UPDATE message SET state = 'waiting', owner = NULL, due = 0 WHERE seq = ?", (seq,))

    def _before(self, target: str, message: Message) -> tuple[MessagePart, ...]:
        """What the receiver said of versions of the exam that were sent."""
        sql = "SELECT parts FROM message WHERE target = ? AND root = ? AND state = 'sent' ORDER BY seq"
        found = self._db.execute(sql, (target, message.root)).fetchall()
        return tuple(part for (said,) in found for part in parts(said))

    def _rooted(self, target: str, message: Message) -> bool:
        """Whether the exam as first recorded was queued for the receiver, whatever became of it."""
        sql = "SELECT 1 FROM message WHERE target = ? AND root = ? AND exam = root LIMIT 1"
        return self._db.execute(sql, (target, message.root)).fetchone() is not None

    def _lease(self) -> int:
        if self._owner is None:
            self._owner = self._owners.enter()
        return self._owner


def seconds(moment: datetime | None) -> float | None:
    """A moment as the outbox keeps it."""
    return None if moment is None else moment.timestamp()


def superseded(exam: str, newer: str) -> Problem:
    """The reason for not sending an older version."""
    return problem("superseded", f"exam {exam} is not sent: {newer}, a newer version of it, goes before")


__all__ = ["Outbox", "OutboxError", "PutResult", "moment", "superseded"]
