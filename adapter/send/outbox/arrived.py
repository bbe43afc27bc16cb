"""What has arrived, kept without patient data when the messages themselves have been purged.

One entry a version of an exam: its id, of each part the name, a digest, and where a receiver keeps it, in which
version. A digest tells that something is as it was sent; who knows all else of a finding could guess at the rest by
it, so the entries stay in the outbox, for its owner alone.
"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from adapter.send.message import Message, MessagePart


@dataclass(frozen=True, slots=True)
class ArrivedPart:
    """``digest`` is the transport's own, of what was meant; ``place`` and ``version`` are the receiver's."""

    name: str
    digest: str
    place: str
    version: str


@dataclass(frozen=True, slots=True)
class Arrived:
    """A version of an exam that arrived: ``exam``, of the one first recorded as ``root``; ``moment`` as ISO 8601."""

    exam: str
    root: str
    moment: str
    parts: tuple[ArrivedPart, ...]


def note(db: sqlite3.Connection, target: str, message: Message, said: Sequence[MessagePart], moment: str) -> None:
    """Enter what arrived; nothing where the transport gives no digests."""
    parts = [[part.name, part.digest, part.place, part.version] for part in said if part.digest]
    if parts:
        db.execute(
            "INSERT INTO arrived (target, exam, root, moment, parts) VALUES (?, ?, ?, ?, ?)",
            (target, message.exam, message.root, moment, zlib.compress(json.dumps(parts).encode())),
        )


def digests(db: sqlite3.Connection, target: str, root: str) -> frozenset[str]:
    """Of all parts of the versions of an exam that arrived."""
    found = db.execute("SELECT parts FROM arrived WHERE target = ? AND root = ?", (target, root)).fetchall()
    return frozenset(digest for (parts,) in found for _, digest, *_ in json.loads(zlib.decompress(parts)))


def histories(db: sqlite3.Connection, target: str) -> Iterator[list[Arrived]]:
    """Of each exam its versions that arrived, in that order."""
    roots = db.execute("SELECT DISTINCT root FROM arrived WHERE target = ? ORDER BY number", (target,)).fetchall()
    for (root,) in roots:
        sql = "SELECT exam, moment, parts FROM arrived WHERE target = ? AND root = ? ORDER BY number"
        yield [
            Arrived(exam, root, moment, tuple(ArrivedPart(*part) for part in json.loads(zlib.decompress(parts))))
            for exam, moment, parts in db.execute(sql, (target, root)).fetchall()
        ]
