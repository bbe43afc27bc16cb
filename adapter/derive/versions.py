"""Which version of an exam counts: an amendment stands for what it amends; an exam given twice counts once."""

from __future__ import annotations

from hashlib import blake2b
from pathlib import Path

from adapter.exam import Exam, Status

_RANK = {Status.FINAL: 0, Status.AMENDED: 1, Status.ENTERED_IN_ERROR: 2}
_MARKS = (b"amend", b"entered-in-error")
_CHUNK = 1 << 20


class Versions:
    """What is known of the versions of exams: :meth:`see` all first, then ask :meth:`current` of each once.

    A retraction goes before an amendment, that before the exam as first recorded; of one rank, the one seen later
    counts (the order in which sending lets one version replace another). Only amended exams are held in memory, and
    twelve bytes of each exam that was asked for.
    """

    def __init__(self) -> None:
        self._latest: dict[str, tuple[int, str]] = {}
        self._given: set[bytes] = set()
        self.superseded = 0
        self.repeated = 0

    def see(self, exam: Exam) -> None:
        """Take note of an exam's version."""
        details = exam.details
        if details.amends is None:
            return
        rank = _RANK[details.status]
        if details.root not in self._latest or rank >= self._latest[details.root][0]:
            self._latest[details.root] = rank, details.id

    @property
    def latest(self) -> tuple[tuple[str, str], ...]:
        """Root and id of every version that stands for others, sorted."""
        return tuple(sorted((root, exam_id) for root, (_, exam_id) in self._latest.items()))

    def current(self, exam: Exam) -> bool:
        """Whether this exam counts: no later version stands for it, and it was not asked for before."""
        latest = self._latest.get(exam.details.root)
        if latest is not None and latest[1] != exam.details.id:
            self.superseded += 1
            return False
        key = blake2b(exam.details.id.encode(), digest_size=12).digest()
        if key in self._given:
            self.repeated += 1
            return False
        self._given.add(key)
        return True


def may_amend(path: Path) -> bool:
    """Whether a file could hold an amended or retracted exam: by its bytes, without understanding them."""
    rest = b""
    longest = max(map(len, _MARKS))
    try:
        with path.open("rb") as file:
            while chunk := file.read(_CHUNK):
                if _any(rest + chunk):
                    return True
                rest = chunk[-longest:]
    except OSError:
        return False
    return path.suffix.lower() == ".xlsx"


def _any(data: bytes) -> bool:
    return any(mark in data for mark in _MARKS)
