"""The outbox as a record: what waits, what was sent, what was given up; and how it is changed and read."""

from __future__ import annotations

import json
import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from adapter.derive.versions import KnownVersion
from adapter.problems import Problem
from adapter.send.message import Message, MessagePart
from adapter.send.outbox.arrived import Arrived, histories
from adapter.send.outbox.rows import (
    COLUMNS,
    MESSAGE,
    OutboxRow,
    State,
    message_of_row,
    parts_text,
    problems_text,
)
from adapter.send.outbox.schema import connect, reported

MAY_LEAVE = """
m.follows IS NULL
  AND NOT EXISTS (SELECT 1 FROM message AS o WHERE o.target = :target AND o.newborn = m.newborn
                  AND o.state IN ('waiting', 'sending') AND o.seq < m.seq)
  AND NOT EXISTS (SELECT 1 FROM message AS f CROSS JOIN message AS o
                  WHERE f.follows = m.seq AND o.target = :target AND o.newborn = f.newborn
                    AND o.state IN ('waiting', 'sending') AND o.seq < m.seq)
"""
"""One newborn's messages leave in order. What follows another leaves with it, which waits for both newborns."""


class Ledger:
    """The file, safe to use from many threads and processes.

    ``narrowed``: others than its owner could read it until it was opened; they cannot any more.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._lock = threading.RLock()
        self._db, self.narrowed = connect(path)
        self._durable = True

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def open_count(self, target: str) -> int:
        """How many messages to ``target`` are waiting or being sent."""
        with self._read() as db:
            sql = "SELECT count(*) FROM message WHERE target = ? AND state IN ('waiting', 'sending')"
            return int(db.execute(sql, (target,)).fetchone()[0])

    def counts(self) -> dict[str, dict[State, int]]:
        """How many messages of each state there are, by receiver."""
        with self._read() as db:
            sql = "SELECT target, state, count(*) FROM message GROUP BY target, state ORDER BY target, state"
            found: dict[str, dict[State, int]] = {}
            for target, state, count in db.execute(sql):
                found.setdefault(target, {})[State(state)] = count
            return found

    def arrived(self, target: str) -> list[list[Arrived]]:
        """Of each exam that arrived there its versions, in that order; kept when messages are purged."""
        with self._read() as db:
            return list(histories(db, target))

    def last_number(self) -> int:
        """The number of the message that was queued last, 0 where none was."""
        with self._read() as db:
            return int(db.execute("SELECT coalesce(max(seq), 0) FROM message").fetchone()[0])

    def next_due(self, target: str, longest: float = 86_400.0) -> float | None:
        """The moment (seconds since 1970) when the first that may leave is due, None where none waits.

        One newborn's exams leave in order, so that only the first of each counts; what would be put off for more than
        ``longest`` seconds is due now.
        """
        with self._read() as db:
            first = "SELECT min(CASE WHEN due > :now + :longest THEN 0 ELSE due END) FROM message AS m"
            sql = f"{first} WHERE target = :target AND state = 'waiting' AND {MAY_LEAVE}"
            values = {"target": target, "now": time.time(), "longest": longest}
            found = db.execute(sql, values).fetchone()[0]
            return None if found is None else float(found)

    def last_ended(self, target: str, count: int) -> list[OutboxRow]:
        """The messages that were sent or given up last, the latest first; without those that ended in the future, by
        a clock that was wrong."""
        with self._read() as db:
            sql = (
                f"SELECT {COLUMNS} FROM message WHERE target = ? AND ended IS NOT NULL"  # noqa: S608
                " AND state IN ('sent', 'dead') AND ended <= ? ORDER BY ended DESC, seq DESC LIMIT ?"
            )
            return [OutboxRow.of(row) for row in db.execute(sql, (target, moment(), count))]

    def rows(self, *states: State, target: str | None = None) -> Iterator[OutboxRow]:
        """The messages in the order queued; a page at a time."""
        after, chosen = 0, json.dumps([state.value for state in states or State])
        while True:
            with self._read() as db:
                sql = (
                    f"SELECT {COLUMNS} FROM message WHERE seq > ? AND state IN (SELECT value FROM json_each(?))"  # noqa: S608
                    " AND (? IS NULL OR target = ?) ORDER BY seq LIMIT 200"
                )
                page = [OutboxRow.of(row) for row in db.execute(sql, (after, chosen, target, target))]
            if not page:
                return
            yield from page
            after = page[-1].seq

    def row(self, seq: int) -> OutboxRow | None:
        """One message."""
        with self._read() as db:
            sql = f"SELECT {COLUMNS} FROM message WHERE seq = ?"  # noqa: S608
            found = db.execute(sql, (seq,)).fetchone()
            return None if found is None else OutboxRow.of(found)

    def message(self, seq: int) -> Message:
        """What is or was to be sent; raises ``KeyError`` where there is no such number."""
        with self._read() as db:
            found = db.execute(f"SELECT {MESSAGE} FROM message WHERE seq = ?", (seq,)).fetchone()  # noqa: S608
            if found is not None:
                return message_of_row(found, self._shared(seq))
        raise KeyError(seq)

    def latest(self, target: str, exam: str) -> OutboxRow | None:
        """The message of an exam that was queued last."""
        with self._read() as db:
            sql = f"SELECT {COLUMNS} FROM message WHERE target = ? AND exam = ? ORDER BY seq DESC LIMIT 1"  # noqa: S608
            found = db.execute(sql, (target, exam)).fetchone()
            return None if found is None else OutboxRow.of(found)

    def known(self, target: str, exam: str) -> KnownVersion | None:
        """Of a version the exam as first recorded and how far it is from that; None where it was never queued."""
        with self._read() as db:
            sql = (
                "SELECT root, CASE WHEN exam = ? THEN depth ELSE 0 END FROM message"
                " WHERE target = ? AND (exam = ? OR root = ?) ORDER BY exam = ? DESC LIMIT 1"
            )
            found = db.execute(sql, (exam, target, exam, exam, exam)).fetchone()
            return None if found is None else KnownVersion(*found)

    def fork(self, target: str, message: Message) -> str | None:
        """The id of another amendment of the same exam that was sent, or is about to be, and that nothing tells from
        this one."""
        own = message.precedence
        others = self._others(target, message)
        return next((one.exam for one in others if own.over(one.precedence) is None), None)

    def taken_back(self, target: str, message: Message) -> str | None:
        """The id of a retraction of the same exam that was sent, or is about to be, and before which this
        amendment was not recorded."""
        own = message.precedence
        return next((one.exam for one in self._others(target, message) if own.after(one.precedence)), None)

    def _others(self, target: str, message: Message) -> Iterator[Message]:
        """The other versions of the same exam that were sent, or are about to be."""
        with self._read() as db:
            sql = (
                f"SELECT {MESSAGE} FROM message WHERE target = ? AND root = ? AND exam <> ?"  # noqa: S608
                " AND state IN ('waiting', 'sending', 'sent')"
            )
            rows = db.execute(sql, (target, message.root, message.exam)).fetchall()
        for row in rows:
            yield message_of_row(row, ())

    def other_versions(self, target: str, root: str, exam: str) -> list[tuple[OutboxRow, Message]]:
        """The messages of other versions of an exam to the same receiver, in the order queued."""
        with self._read() as db:
            sql = f"SELECT {COLUMNS}, {MESSAGE} FROM message WHERE target = ? AND root = ? AND exam <> ? ORDER BY seq"  # noqa: S608
            found = db.execute(sql, (target, root, exam)).fetchall()
            width = len(COLUMNS.split(", "))
            return [(OutboxRow.of(row[:width]), message_of_row(row[width:], self._shared(row[0]))) for row in found]

    def give_up(self, seq: int, reasons: Sequence[Problem]) -> bool:
        """Give up a message that waits, and what goes along with it; whether it waited."""
        with self._change(durable=True) as db:
            waits = db.execute("SELECT 1 FROM message WHERE seq = ? AND state = 'waiting'", (seq,)).fetchone()
            if waits is not None:
                for one in self._together(seq):
                    self._end(one, State.DEAD, reasons, [])
            return waits is not None

    def retry(self, seq: int) -> bool:
        """Let a message that was given up, or waits for its next attempt, be tried at once; and what goes along with
        it."""
        with self._change(durable=True) as db:
            done = db.executemany(
                "UPDATE message SET state = 'waiting', attempts = 0, strikes = 0, waited = 0, due = 0, ended = NULL"
                " WHERE seq = ? AND state IN ('dead', 'waiting')",
                [(one,) for one in self._together(seq)],
            )
            return done.rowcount >= 1

    def purge(self, before: str) -> int:
        """Delete what was sent or superseded before a moment (ISO 8601, UTC); how many. Never what waits or died."""
        with self._change(durable=True) as db:
            done = db.execute("DELETE FROM message WHERE state IN ('sent', 'superseded') AND ended < ?", (before,))
        with self._read() as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return done.rowcount

    def _together(self, seq: int) -> list[int]:
        """The message, with what goes along with it or what it goes along with."""
        sql = "SELECT coalesce(follows, seq) FROM message WHERE seq = ?"
        first = self._db.execute(sql, (seq,)).fetchone()
        if first is None:
            return [seq]
        sql = "SELECT seq FROM message WHERE seq = ? OR follows = ? ORDER BY seq"
        return [one for (one,) in self._db.execute(sql, (first[0], first[0]))]

    def _shared(self, seq: int) -> list[str]:
        return [name for (name,) in self._db.execute("SELECT name FROM shared WHERE seq = ?", (seq,))]

    def _end(self, seq: int, state: State, reasons: Sequence[Problem], parts: Sequence[MessagePart]) -> None:
        self._db.execute(
            "UPDATE message SET state = ?, owner = NULL, reasons = ?, parts = ?, ended = ? WHERE seq = ?",
            (state, problems_text(reasons), parts_text(parts), moment(), seq),
        )

    @contextmanager
    def _change(self, *, durable: bool = False) -> Iterator[sqlite3.Connection]:
        """A transaction that is kept when the block ends and undone when it raises; one inside another is part
        of it. ``durable``: it has reached the disk then; otherwise power loss may undo it, which costs no more
        than sending again."""
        with self._lock, reported(self._path):
            if self._db.in_transaction:
                yield self._db
                return
            if durable is not self._durable:
                self._db.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
                self._durable = durable
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    @contextmanager
    def _read(self) -> Iterator[sqlite3.Connection]:
        with self._lock, reported(self._path):
            yield self._db


def moment() -> str:
    """Now, as ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
