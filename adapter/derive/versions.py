"""Which version of an exam goes before which, by what the versions say: never by the order in which they came."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from adapter.exam import Exam, Status

_RANKS = {Status.FINAL: 0, Status.AMENDED: 1, Status.ENTERED_IN_ERROR: 2}
RETRACTED = _RANKS[Status.ENTERED_IN_ERROR]
_MARKS = (b"amend", b"entered-in-error")
_CHUNK = 1 << 20


class KnownVersion(NamedTuple):
    """Of a version: the id of the exam as first recorded, and how many versions it corrects one after the other."""

    root: str
    depth: int


Elsewhere = Callable[[str], KnownVersion | None]
"""What is known of a version by its id; None where it is not known."""


def rank(status: Status) -> int:
    """Which version of an exam goes before which: a retraction (2) before an amendment (1), that before the exam as
    first recorded (0). Amendments among themselves: :class:`Precedence`."""
    return _RANKS[status]


@dataclass(frozen=True, slots=True)
class Precedence:
    """Where a version stands among those of its exam: its :func:`rank`; its ``depth``, how many versions it corrects
    one after the other; and when it was ``recorded``, where it says so."""

    rank: int
    depth: int = 0
    recorded: datetime | None = None

    def over(self, other: Precedence) -> bool | None:
        """Whether this version goes before the other: by rank, then depth, then time; None for two amendments that
        nothing tells apart. Of two retractions both say the same."""
        if (self.rank, self.depth) != (other.rank, other.depth) and self.rank != RETRACTED:
            return (self.rank, self.depth) > (other.rank, other.depth)
        if self.rank != other.rank:
            return True
        if self.recorded is not None and other.recorded is not None and self.recorded != other.recorded:
            return self.recorded > other.recorded
        return None if self.rank == _RANKS[Status.AMENDED] else False

    def after(self, retraction: Precedence) -> bool:
        """Whether this amendment says that it was not recorded before the retraction of its exam, at the same moment
        or later: nobody knows then which of them is meant to stand."""
        if (self.rank, retraction.rank) != (_RANKS[Status.AMENDED], RETRACTED):
            return False
        return bool(self.recorded and retraction.recorded and self.recorded >= retraction.recorded)

    @property
    def key(self) -> tuple[int, int, float]:
        """By which versions are sorted, the newest last; those that nothing tells apart have one key."""
        return self.rank, self.depth, self.recorded.timestamp() if self.recorded else 0.0


@dataclass(frozen=True, slots=True)
class Version:
    """What a version of an exam says of its place in the chain."""

    id: str
    status: Status
    amends: str | None = None
    first: str | None = None
    recorded: datetime | None = None

    @classmethod
    def of(cls, exam: Exam) -> Version:
        """That of an exam."""
        details = exam.details
        return cls(details.id, details.status, details.amends, details.first, details.recorded)


class Versions:
    """Versions of exams, in any order: :meth:`see` all first, then ask.

    ``elsewhere`` knows what is not among them (an outbox); without it what nobody here has seen is taken to be the
    exam as first recorded, so that only amended exams need be seen.
    """

    def __init__(self, elsewhere: Elsewhere = lambda version: KnownVersion(version, 0)) -> None:
        self._seen: dict[str, Version] = {}
        self._elsewhere = elsewhere
        self._families: dict[str, list[Version]] | None = None

    def see(self, version: Version) -> None:
        """Take note of it; of two under one id the first counts."""
        if version.id not in self._seen:
            self._seen[version.id] = version
            self._families = None

    def __contains__(self, version: str) -> bool:
        return version in self._seen

    def get(self, version: str | None) -> Version | None:
        """The version with this id, if it was seen."""
        return None if version is None else self._seen.get(version)

    def root(self, version: Version) -> str | None:
        """The id of the exam as first recorded; None where a version on the way there is not known."""
        known = self._known(self._back(version))
        return None if known is None else known.root

    def missing(self, version: Version) -> str | None:
        """The version that this one rests on and nobody knows."""
        return self._back(version).missing if self.root(version) is None else None

    def in_circle(self, version: Version) -> bool:
        """Whether a version amends itself in the end."""
        return self._back(version).in_circle

    def precedence(self, version: Version) -> Precedence:
        """Where it stands in its chain."""
        way = self._back(version)
        known = self._known(way) or KnownVersion("", 1)
        return Precedence(rank(version.status), way.steps + known.depth, version.recorded)

    def _known(self, way: _Way) -> KnownVersion | None:
        """What is known of the last version of a way back."""
        if way.in_circle or way.missing is None:
            return None if way.in_circle else KnownVersion(way.last.id, 0)
        before, first = self._elsewhere(way.missing), way.last.first
        if first is not None and (before is None or before.root == way.missing):
            before = KnownVersion(first, 1)
        return None if before is None else KnownVersion(before.root, before.depth + 1)

    def forks(self, version: Version) -> list[str]:
        """The ids of the other amendments of the same exam that nothing tells from this one."""
        own = self.precedence(version)
        others = (other for other in self._family(version) if other.id != version.id)
        return [other.id for other in others if own.over(self.precedence(other)) is None]

    def taken_back(self, version: Version) -> str | None:
        """The retraction of the same exam before which this amendment says that it was not recorded."""
        own = self.precedence(version)
        others = (other for other in self._family(version) if own.after(self.precedence(other)))
        return next((other.id for other in others), None)

    def newest(self, version: Version) -> Version:
        """The version of the same exam that counts; of those that nothing tells apart always the same one."""
        return max(self._family(version), key=lambda one: (self.precedence(one).key, one.id))

    def __iter__(self) -> Iterator[Version]:
        return iter(self._seen.values())

    def _family(self, version: Version) -> list[Version]:
        """All versions of the same exam that were seen."""
        if self._families is None:
            self._families = {}
            for one in self:
                if (root := self.root(one)) is not None:
                    self._families.setdefault(root, []).append(one)
        return self._families.get(self.root(version) or "", [version])

    def _back(self, version: Version) -> _Way:
        """From a version to the one as first recorded, as far as those that were seen lead."""
        passed = {version.id}
        while version.amends is not None:
            before = self._seen.get(version.amends)
            if before is None:
                return _Way(version, len(passed) - 1, missing=version.amends)
            if before.id in passed:
                return _Way(version, len(passed), in_circle=True)
            passed.add(before.id)
            version = before
        return _Way(version, len(passed) - 1)


@dataclass(frozen=True, slots=True)
class _Way:
    """The way back from a version: the ``last`` that was seen, how many ``steps`` before, and what ends the way
    before the first of all: a version that is not at hand, or one that was passed before."""

    last: Version
    steps: int
    missing: str | None = None
    in_circle: bool = False


def precedence_of(exam: Exam) -> Precedence:
    """Where an exam stands among its versions, as far as it says itself."""
    return Versions().precedence(Version.of(exam))


def current_versions(exams: Iterable[Exam]) -> list[Exam]:
    """Of each exam the version that counts, a retraction too, once; in the order in which they came."""
    held, versions = dict[str, Exam](), Versions()
    for exam in exams:
        held.setdefault(exam.details.id, exam)
        versions.see(Version.of(exam))
    return [exam for exam in held.values() if versions.newest(Version.of(exam)).id == exam.details.id]


def instant_of(text: str) -> datetime | None:
    """A moment in ISO 8601 with its offset; None where the text is none, or has no offset."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.tzinfo is not None else None


def may_amend(path: Path) -> bool:
    """Whether a file could hold an amended or retracted exam: by its bytes, without understanding them."""
    rest = b""
    longest = max(map(len, _MARKS))
    try:
        with path.open("rb") as file:
            while chunk := file.read(_CHUNK):
                if names_an_amendment(rest + chunk):
                    return True
                rest = chunk[-longest:]
    except OSError:
        return False
    return path.suffix.lower() == ".xlsx"


def names_an_amendment(data: bytes) -> bool:
    """Whether some bytes could hold an amended or retracted exam."""
    return any(mark in data for mark in _MARKS)
