"""What the versions among the inputs say of each other, before the first exam is converted or extracted.

An amendment or a retraction takes back what it amends also where it is refused itself: what somebody took back must
not go on as final because the letter that says so was damaged. All versions are then set aside, until it is mended.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from operator import itemgetter
from typing import TYPE_CHECKING

from adapter.catalogue import Catalogue
from adapter.derive.chains import rooted, version_faults
from adapter.derive.versions import Version, Versions, may_amend, names_an_amendment
from adapter.exam import Exam, ExamDetails, Status
from adapter.problems import Layer, Problem, Severity
from adapter.read import Reading
from adapter.run.exams import readings_of
from adapter.run.inputs import Cut, Given, pieces_of
from adapter.run.pieces import Piece, PieceKind

if TYPE_CHECKING:
    from adapter.read.plan import Plan

_NAMED = re.compile(rb'"amends"\s*:\s*"([^"\\]{1,200})"')


@dataclass(frozen=True, slots=True)
class Lineage:
    """What is known of the versions of the inputs; small, since only amended exams are in it. All is sorted.

    ``latest``: root and id of the amendments and retractions that count. ``roots``: version and root, where
    ``amends`` names another version. ``refused``: why a version may not stand in its chain. ``aside``: the roots of
    exams of which a version was refused that may go before what is left.
    """

    latest: tuple[tuple[str, str], ...] = ()
    roots: tuple[tuple[str, str], ...] = ()
    refused: tuple[tuple[str, tuple[Problem, ...]], ...] = ()
    aside: tuple[str, ...] = ()

    def identity(self) -> str:
        """All that decides what comes out."""
        return f"{self.latest} {self.roots} {[version for version, _ in self.refused]} {self.aside}"


class LaterVersions:
    """Takes note of versions, of those that were refused too."""

    def __init__(self) -> None:
        self._versions, self._lost = Versions(), list[Version]()

    def see(self, reading: Reading, piece: Piece) -> None:
        """Take note of one exam, or of what is left of it."""
        exam = reading.exam
        if exam is not None and reading.accepted:
            if exam.details.amends is not None:
                self._versions.see(Version.of(exam))
            return
        self._lost += [reading.version] if reading.version else [_unknown(name) for name in _named(piece)]

    def lineage(self) -> Lineage:
        """What all of them say together; a damaged copy of a version that is there says nothing more."""
        lost = {one.id or f"refused {n}": one for n, one in enumerate(self._lost) if one.id not in self._versions}
        for name, one in lost.items():
            self._versions.see(replace(one, id=name))
        return lineage_of(self._versions, lost)


def lineage_of(versions: Versions, lost: Collection[str] = ()) -> Lineage:
    """What amended exams say of each other; ``lost`` are the ids of those that were refused."""
    well = [one for one in versions if one.id not in lost]
    faults = {one.id: found for one in well if (found := tuple(version_faults(one, versions)))}
    roots = {one.id: root for one in versions if (root := versions.root(one)) is not None}
    latest = dict[str, Version]()
    for one in sorted(well, key=lambda one: (versions.precedence(one).key, one.id)):
        if one.id in roots and one.id not in faults:
            latest[roots[one.id]] = one
    refused = [one for one in versions if one.id in lost or one.id in faults]
    aside = {
        root
        for one in refused
        if (root := roots.get(one.id)) is not None
        and not (root in latest and versions.precedence(latest[root]).over(versions.precedence(one)))
    }
    return Lineage(
        tuple(sorted((root, one.id) for root, one in latest.items())),
        tuple(sorted((one.id, roots[one.id]) for one in well if roots.get(one.id) not in (None, one.amends))),
        tuple(sorted(faults.items(), key=itemgetter(0))),
        tuple(sorted(aside)),
    )


def lineage(inputs: Sequence[Given], cut: Cut, catalogue: Catalogue, plan: Plan | None) -> Lineage:
    """The inputs gone through; only what could hold an amendment or a retraction is read for it."""
    found = LaterVersions()
    for piece in pieces_of(inputs, cut):
        if piece.has_exams and (plan is not None or _may_amend(piece)):
            for reading in readings_of(piece, catalogue, plan):
                found.see(reading, piece)
    return found.lineage()


class Placing:
    """The same as a worker asks it, exam by exam."""

    def __init__(self, found: Lineage) -> None:
        self.latest, self.aside = dict(found.latest), frozenset(found.aside)
        self._roots, self._refused = dict(found.roots), dict(found.refused)

    def rooted(self, exam: Exam) -> Exam:
        """The exam, naming the one as first recorded too."""
        return rooted(exam, self._roots.get(exam.details.id))

    def counts(self, exam: Exam) -> bool:
        """Whether it is the version that stands for its exam, and is not entered in error."""
        details = self.rooted(exam).details
        stands = self.latest.get(details.root, details.id) == details.id and details.root not in self.aside
        refused = details.amends is not None and details.id in self._refused
        return stands and not refused and details.status is not Status.ENTERED_IN_ERROR

    def faults(self, exam: Exam, piece: Piece) -> tuple[Problem, ...]:
        """Why it may not stand in its chain."""
        found = self._refused.get(exam.details.id, ()) if exam.details.amends is not None else ()
        line = piece.at if piece.kind is PieceKind.LINE else None
        return tuple(replace(one, file=piece.file, line=line) for one in found)


def set_aside(details: ExamDetails, piece: Piece) -> Problem:
    """That an exam is refused since a later version of it was."""
    what = f"exam {details.id}: a later version of it is refused, so that it may not stand as it is"
    remedy = "the later version mended, and both extracted together"
    line = piece.at if piece.kind is PieceKind.LINE else None
    return Problem(Severity.ERROR, Layer.CAPTURE, "later-version-refused", what, remedy, file=piece.file, line=line)


def _may_amend(piece: Piece) -> bool:
    return may_amend(piece.path) if piece.kind is PieceKind.FILE else names_an_amendment(piece.data)


def _unknown(amends: str) -> Version:
    """A version of which nothing is known but what it amends: the worst that it can be."""
    return Version("", Status.ENTERED_IN_ERROR, amends)


def _named(piece: Piece) -> Iterable[str]:
    """What a capture that is no JSON any more still says that it amends."""
    try:
        data = piece.content()
    except (OSError, EOFError, zlib.error):
        return []
    return [found.decode("utf-8", "replace") for found in _NAMED.findall(data)]
