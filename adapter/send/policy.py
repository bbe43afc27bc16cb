"""What to do about a failure: whose fault it is, whether to try again, and when.

| what came back | what is done |
|---|---|
| no answer, half an answer, 5xx, 408, 425, 429, an answer that is not FHIR | again, later, the same bytes |
| 409, 412 | again, after reading what is there now; a resource that is there twice is for a person |
| 401, nothing but failures from the server | the server's fault or ours, not the exam's: all wait |
| no token for us, not a server of FHIR R4 | the run ends, all stays queued |
| other 4xx, 3xx | given up with the server's reasons |

FHIR R4 http.html (3.1.0.5, 3.1.0.8.1, 3.1.0.11.2); RFC 9110 sections 10.2.3, 15.5 and 15.6.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from enum import StrEnum

from adapter.send.answers import Barred, Refused, ServerRefused, Unreachable

_AGAIN = frozenset({408, 409, 412, 425, 429})


class Verdict(StrEnum):
    """``again``: perhaps the exam's fault, counted; ``never``: the exam's fault; ``wait``: the server or our right
    to use it; ``stop``: the same, and waiting will not mend it."""

    AGAIN = "again"
    WAIT = "wait"
    NEVER = "never"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Retry:
    """``tries`` attempts before an exam is given up; ``first`` and ``longest`` bound the seconds between them;
    ``patience`` seconds without any success from the server before a run ends and leaves the rest queued."""

    tries: int = 8
    first: float = 0.5
    longest: float = 60.0
    patience: float = 120.0
    chance: random.Random = field(default_factory=random.Random, compare=False)

    def pause(self, attempt: int, asked: float | None = None) -> float:
        """Seconds before the attempt after ``attempt``: exponential with jitter, never less than was ``asked``."""
        bound = min(self.longest, self.first * 2.0 ** min(attempt - 1, 20))
        return max(bound * self.chance.uniform(0.5, 1.0), asked or 0.0)


def verdict(error: Unreachable | Refused) -> Verdict:
    """What a failure of a FHIR server means, before it has been asked whether it is well."""
    if isinstance(error, Barred):
        return Verdict.STOP
    if not isinstance(error, ServerRefused):
        return Verdict.AGAIN
    if error.status == 401:
        return Verdict.WAIT
    if error.status == 412 and any(problem.rule == "multiple-matches" for problem in error.problems):
        return Verdict.NEVER
    if error.status in _AGAIN or error.status >= 500 or 200 <= error.status < 300:
        return Verdict.AGAIN
    return Verdict.NEVER
