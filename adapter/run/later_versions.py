"""Which version of each exam an extract holds, before its first exam is extracted.

An amendment or a retraction takes back what it amends also where it is refused itself: what somebody took back must
not go on as final because the letter that says so was damaged. All versions are then set aside, until it is mended.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Sequence

from adapter.catalogue import Catalogue
from adapter.derive.versions import Versions, may_amend
from adapter.exam import ExamDetails
from adapter.problems import Layer, Problem, Severity
from adapter.read import Reading
from adapter.read.files import MOST_BYTES, unpacked
from adapter.read.plan import Plan
from adapter.run.exams import readings_of
from adapter.run.inputs import Cut, Given, pieces_of
from adapter.run.pieces import Piece, PieceKind

_MARKS = (b"amend", b"entered-in-error")
_NAMED = re.compile(rb'"amends"\s*:\s*"([^"\\]{1,200})"')


class LaterVersions:
    """What is known of versions: ``latest``, the id of the one that counts by root; ``aside``, the roots of whose
    exams a later version was refused."""

    def __init__(self) -> None:
        self._versions, self._aside = Versions(), dict[str, None]()

    def see(self, reading: Reading, piece: Piece) -> None:
        """Take note of one exam, or of what is left of it."""
        exam = reading.exam
        if exam is not None and reading.accepted:
            self._versions.see(exam)
            if (exam.details.root, exam.details.id) in self._versions.latest:
                self._aside.pop(exam.details.root, None)
            return
        for root in [reading.replaces] if reading.replaces else _named(piece):
            self._aside[root] = None

    @property
    def latest(self) -> tuple[tuple[str, str], ...]:
        """Root and id of the amendments and retractions that count."""
        return self._versions.latest

    @property
    def aside(self) -> tuple[str, ...]:
        """The roots of the exams that are set aside, sorted."""
        return tuple(sorted(self._aside))


def later_versions(inputs: Sequence[Given], cut: Cut, catalogue: Catalogue, plan: Plan | None) -> LaterVersions:
    """The inputs gone through; only what could hold an amendment or a retraction is read for it."""
    found = LaterVersions()
    for piece in pieces_of(inputs, cut):
        if piece.fault is None and (plan is not None or _may_amend(piece)):
            for reading in readings_of(piece, catalogue, plan):
                found.see(reading, piece)
    return found


def set_aside(details: ExamDetails, piece: Piece) -> Problem:
    """That an exam is refused since a later version of it was."""
    what = f"exam {details.id}: a later version of it is refused, so that it may not stand as it is"
    remedy = "the later version mended, and both extracted together"
    line = piece.at if piece.kind is PieceKind.LINE else None
    return Problem(Severity.ERROR, Layer.CAPTURE, "later-version-refused", what, remedy, file=piece.file, line=line)


def _may_amend(piece: Piece) -> bool:
    return may_amend(piece.path) if piece.kind is PieceKind.FILE else any(mark in piece.data for mark in _MARKS)


def _named(piece: Piece) -> Iterable[str]:
    """What a capture that is no JSON any more still says that it amends."""
    try:
        data = _data(piece)
    except (OSError, EOFError, zlib.error):
        return []
    return [found.decode("utf-8", "replace") for found in _NAMED.findall(data)]


def _data(piece: Piece) -> bytes:
    if piece.kind is not PieceKind.FILE:
        return piece.data
    with piece.path.open("rb") as file:
        return unpacked(file).read(MOST_BYTES)
