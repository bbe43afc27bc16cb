"""How patient sending is: how often, how long, and with what pauses."""

from __future__ import annotations

import random
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Timeouts:
    """Seconds: for connecting, for each wait for the receiver, for a request from its start to its end (connecting,
    head and body), and for all requests of one exam together."""

    connect: float = 10.0
    read: float = 60.0
    whole: float = 180.0
    exam: float = 3600.0


USUAL = Timeouts()


@dataclass(frozen=True, slots=True)
class Retry:
    """``tries`` attempts before an exam is given up; ``first`` and ``longest`` bound the seconds between them;
    ``patience`` seconds without any success from the receiver before a run ends and leaves the rest queued;
    ``closed`` those where nothing has listened there since the run began.

    ``heed`` bounds the seconds that a receiver may ask to be left in peace (Retry-After), and with that how long any
    exam waits; ``budget`` are the seconds for which an exam is made to wait before the failures of a receiver that is
    plainly ill are held against it; after ``alike`` exams in a row that were refused alike, no further is given up.
    """

    tries: int = 8
    first: float = 0.5
    longest: float = 60.0
    patience: float = 120.0
    closed: float = 10.0
    heed: float = 3600.0
    budget: float = 6 * 3600.0
    alike: int = 3
    chance: random.Random = field(default_factory=random.Random, compare=False)

    @property
    def longest_wait(self) -> float:
        """The most seconds for which an exam is ever put off."""
        return max(self.longest, self.heed)

    def patient(self, *, closed: bool) -> float:
        """The seconds without any success before a run ends; ``closed``: nothing has listened there."""
        return min(self.patience, self.closed) if closed else self.patience

    def pause(self, attempt: int, asked: float | None = None) -> float:
        """Seconds before the attempt after ``attempt``: exponential with jitter; never less than was ``asked``,
        within what is heeded."""
        bound = min(self.longest, self.first * 2.0 ** min(attempt - 1, 20))
        return max(bound * self.chance.uniform(0.5, 1.0), min(asked or 0.0, self.heed))
