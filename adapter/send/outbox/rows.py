"""What the outbox says of a message, for people and programs."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from adapter.problems import Layer, Problem, Severity
from adapter.send.answers import EntryOutcome


class State(StrEnum):
    """``waiting`` to be sent (or sent again), being sent (``sending``), ``sent``, given up with its reasons
    (``dead``), or ``superseded`` by a newer version of the exam."""

    WAITING = "waiting"
    SENDING = "sending"
    SENT = "sent"
    DEAD = "dead"
    SUPERSEDED = "superseded"


COLUMNS = "seq, target, exam, root, state, attempts, due, reasons, outcomes, digest, queued, ended"


@dataclass(frozen=True, slots=True)
class Row:
    """One message: ``seq`` is its number; ``due`` the moment (seconds since 1970) before which it is not sent;
    ``reasons`` why it failed last or for good; ``outcomes`` what the server said, entry by entry; ``digest``
    the SHA-256 of the payload; ``queued`` and ``ended`` as ISO 8601 in UTC."""

    seq: int
    target: str
    exam: str
    root: str
    state: State
    attempts: int
    due: float
    reasons: tuple[Problem, ...]
    outcomes: tuple[EntryOutcome, ...]
    digest: str
    queued: str
    ended: str | None

    @classmethod
    def of(cls, row: Sequence[Any] | sqlite3.Row) -> Row:
        """From a row of ``COLUMNS``."""
        seq, target, exam, root, state, attempts, due, reasons, outcomes, *rest = row
        return cls(
            seq, target, exam, root, State(state), attempts, due, problems(reasons), _outcomes(outcomes), *rest
        )


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


def outcomes_text(found: Sequence[EntryOutcome]) -> str:
    """Outcomes as they are stored."""
    return json.dumps(
        [[o.full_url, o.status, o.location, o.etag, o.version, problems_text(o.outcome_problems)] for o in found]
    )


def _outcomes(text: str) -> tuple[EntryOutcome, ...]:
    return tuple(
        EntryOutcome(full_url, status, location, etag, version, problems(remarks))
        for full_url, status, location, etag, version, remarks in json.loads(text)
    )
