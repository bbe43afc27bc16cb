"""Which version of an exam counts: an amendment stands for what it amends; an exam given twice counts once."""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import blake2b
from pathlib import Path

from adapter.exam import Exam, Status

_RANKS = {Status.FINAL: 0, Status.AMENDED: 1, Status.ENTERED_IN_ERROR: 2}
_MARKS = (b"amend", b"entered-in-error")
_CHUNK = 1 << 20


def rank(status: Status) -> int:
    """Which version of an exam goes before which: a retraction (2) before an amendment (1), that before the exam as
    first recorded (0). Of one rank the one seen later counts."""
    return _RANKS[status]


def current_versions(exams: Iterable[Exam]) -> list[Exam]:
    """Of each exam the version that counts, a retraction too; in the order in which the exams first came."""
    found: dict[str, Exam] = {}
    for exam in exams:
        held = found.get(exam.details.root)
        if held is None or rank(exam.details.status) >= rank(held.details.status):
            found[exam.details.root] = exam
    return list(found.values())


class Versions:
    """What is known of the versions of exams: :meth:`see` all first, then ask :meth:`current` of each once.

    Which goes before which is said by :func:`rank`. Only amended exams are held in memory, and
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
        own = rank(details.status)
        if details.root not in self._latest or own >= self._latest[details.root][0]:
            self._latest[details.root] = own, details.id

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
