"""How patient sending is: how often, how long, and with what pauses."""

from __future__ import annotations

import random
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Timeouts:
    """Seconds: for connecting, for each wait for the receiver, and for a request from its start to its end."""

    connect: float = 10.0
    read: float = 60.0
    whole: float = 180.0


USUAL = Timeouts()


@dataclass(frozen=True, slots=True)
class Retry:
    """``tries`` attempts before an exam is given up; ``first`` and ``longest`` bound the seconds between them;
    ``patience`` seconds without any success from the receiver before a run ends and leaves the rest queued."""

    tries: int = 8
    first: float = 0.5
    longest: float = 60.0
    patience: float = 120.0
    chance: random.Random = field(default_factory=random.Random, compare=False)

    def pause(self, attempt: int, asked: float | None = None) -> float:
        """Seconds before the attempt after ``attempt``: exponential with jitter, never less than was ``asked``."""
        bound = min(self.longest, self.first * 2.0 ** min(attempt - 1, 20))
        return max(bound * self.chance.uniform(0.5, 1.0), asked or 0.0)
