"""What a run knows of its receiver, and what that says of the one exam that has just failed.

| what is seen | what is done |
|---|---|
| others arrive at once, and this one fails more often than that leaves to chance | it is the exam's |
| others fail too, as this one does | the receiver is ill: not held against any exam |
| several exams in a row fail, and none arrives | the receiver's: all wait |
| several exams in a row are refused alike | nobody believes that of so many: no further is given up, the run ends |
"""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field

from adapter.problems import Problem
from adapter.send.failures import Cause, problem
from adapter.send.outbox import OutboxRow, State

_INDEX = re.compile(r"\[\d*\]|\.where\([^)]*\)")

_ILL = 0.25
"""Where more of the others fail than this, the receiver is ill, and nothing is held against an exam."""
_BY_CHANCE = 0.02
"""An exam that fails so often that it would be rarer than this, if it failed as others do, is at fault itself."""

Signature = frozenset[tuple[str, str, str]]


@dataclass(slots=True)
class Health:
    """For one run, by a clock that only goes forward. Not for several threads at once."""

    since: float = field(default_factory=time.monotonic)
    paused_until: float = 0.0
    pauses: int = 0
    heard: bool = False
    """Whether anything has listened there since the run began."""
    _first_failed: dict[str, float] = field(default_factory=dict)
    _last_failed: dict[str, float] = field(default_factory=dict)
    _failures: Counter[str] = field(default_factory=Counter)
    _at_once: dict[str, float] = field(default_factory=dict)
    _in_a_row: set[str] = field(default_factory=set)

    def arrived(self, root: str) -> None:
        """An exam arrived, known by its ``root``."""
        now = self.since = time.monotonic()
        self.pauses = 0
        if self._first_failed.pop(root, None) is None:
            self._at_once[root] = now
        self._in_a_row.clear()

    def failed(self, root: str) -> None:
        """An attempt to send an exam failed, whosever fault it was."""
        now = self._last_failed[root] = time.monotonic()
        self._first_failed.setdefault(root, now)
        self._failures[root] += 1
        self._in_a_row.add(root)

    def given_up(self, root: str) -> None:
        """An exam is out of this run."""
        self._first_failed.pop(root, None)

    def in_a_row(self) -> int:
        """How many different exams failed since one arrived."""
        return len(self._in_a_row)

    def speaks_against(self, root: str, tries: int) -> bool:
        """Whether it is the exam's own fault that it failed so many times, by what became of the others meanwhile.

        How likely another is to fail is estimated by Laplace's rule of succession, (failed + 1) / (tried + 2): of
        few others little is known, and nothing where none was tried.
        """
        failures = self._failures[root]
        if failures < tries:
            return False
        begun = self._first_failed.get(root, time.monotonic())
        failed = sum(moment >= begun for one, moment in self._last_failed.items() if one != root)
        well = sum(moment >= begun for one, moment in self._at_once.items() if one != root)
        chance = (failed + 1) / (failed + well + 2)
        return chance <= _ILL and chance**failures < _BY_CHANCE

    def waited(self) -> float:
        """Seconds since an exam arrived, or since the run began."""
        return time.monotonic() - self.since


def signature(reasons: Sequence[Problem]) -> Signature:
    """That by which two refusals are alike: rules, items, and the elements without the exam that they are of."""
    return frozenset((p.rule, p.item, _INDEX.sub("", p.where.rpartition(": ")[2])) for p in reasons)


def refused_alike(ended: Sequence[OutboxRow], root: str, reasons: Sequence[Problem], count: int) -> bool:
    """Whether this refusal is the one too many: ``ended``, the latest messages that ended, are ``count - 1`` other
    exams that were refused in the same way."""
    mine = signature(reasons)
    alike = {row.root for row in ended if row.state is State.DEAD and signature(row.reasons) == mine} - {root}
    return count > 1 and len(ended) == count - 1 == len(alike)


_CAUSES = {
    "unreachable": Cause.NETWORK,
    "no-acknowledgement": Cause.SERVER,
    "foreign-acknowledgement": Cause.GATEWAY,
    "no-token": Cause.TOKEN,
    "http-401": Cause.TOKEN,
    "refused-alike": Cause.SERVER,
    **{cause.value: cause for cause in Cause},
}


def cause_of(row: OutboxRow) -> Cause:
    """Where the trouble of a message lies that waits or was given up, as its reasons tell."""
    known = next((_CAUSES[one.rule] for one in row.reasons if one.rule in _CAUSES), None)
    return known or (Cause.EXAM if row.state is State.DEAD else Cause.SERVER)


def too_many(count: int) -> Problem:
    """Said with the reasons of a refusal that came too often to be believed."""
    what = f"{count} exams in a row were refused for the same reason: no further one is given up"
    remedy = (
        "see whether the server's set-up or this site's has changed; all wait meanwhile. If it is the exams' fault,"
        " give each up (outbox give-up) and hand it over mended"
    )
    return problem("refused-alike", what, remedy)
