"""What the outbox says of a message, for people and programs."""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from typing import Any

from adapter.derive.versions import Precedence
from adapter.problems import Layer, Problem, Severity
from adapter.send.message import Message, MessagePart


class State(StrEnum):
    """``waiting`` to be sent (or sent again), being sent (``sending``), ``sent``, given up with its reasons
    (``dead``), or ``superseded`` by a newer version of the exam."""

    WAITING = "waiting"
    SENDING = "sending"
    SENT = "sent"
    DEAD = "dead"
    SUPERSEDED = "superseded"


COLUMNS = "seq, target, exam, root, state, attempts, due, reasons, parts, digest, queued, ended"
MESSAGE = "exam, root, newborn, rank, depth, recorded, amends, payload, digest, own"


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """One message: ``seq`` is its number; ``due`` the moment (seconds since 1970) before which it is not sent;
    ``reasons`` why it failed last or for good; ``parts`` what the receiver said, part by part; ``digest`` that of
    the message; ``queued`` and ``ended`` as ISO 8601 in UTC."""

    seq: int
    target: str
    exam: str
    root: str
    state: State
    attempts: int
    due: float
    reasons: tuple[Problem, ...]
    parts: tuple[MessagePart, ...]
    digest: str
    queued: str
    ended: str | None

    @classmethod
    def of(cls, row: Sequence[Any] | sqlite3.Row) -> OutboxRow:
        """From a row of ``COLUMNS``."""
        seq, target, exam, root, state, attempts, due, reasons, said, *rest = row
        return cls(seq, target, exam, root, State(state), attempts, due, problems(reasons), parts(said), *rest)


def problems_text(found: Sequence[Problem]) -> str:
    """Problems as they are stored."""
    return json.dumps([{"severity": p.severity, "rule": p.rule, "what": p.what, "where": p.where,
                        "item": p.item, "remedy": p.remedy} for p in found])  # fmt: skip


def problems(text: str) -> tuple[Problem, ...]:
    """Problems as they were stored."""
    return tuple(
        Problem(
            severity=Severity(p["severity"]),
            layer=Layer.TRANSPORT,
            rule=p["rule"],
            what=p["what"],
            where=p["where"],
            item=p["item"],
            remedy=p["remedy"],
        )
        for p in json.loads(text)
    )


def parts_text(found: Sequence[MessagePart]) -> str:
    """What a receiver said, as it is stored."""
    return json.dumps([[p.name, p.answer, p.place, p.version, problems_text(p.problems)] for p in found])


def parts(text: str) -> tuple[MessagePart, ...]:
    """What a receiver said, as it was stored."""
    return tuple(
        MessagePart(name, answer, place, version, problems(remarks))
        for name, answer, place, version, remarks in json.loads(text)
    )


def message_of_row(row: Sequence[Any], shared: Iterable[str]) -> Message:
    """From a row of ``MESSAGE`` and the names of what the message shares with others."""
    exam, root, newborn, rank, depth, recorded, amends, payload, digest, own = row
    made = None if recorded is None else datetime.fromtimestamp(recorded, UTC)
    return Message(
        exam,
        root,
        newborn,
        Precedence(rank, depth, made),
        zlib.decompress(payload),
        digest,
        shared=frozenset(shared),
        own=json.loads(own),
        amends=amends,
    )
