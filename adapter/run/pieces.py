"""A long input in pieces, the least that is taken or refused, and chunks of them, what a worker gets.

The same input is always cut in the same way, whatever the number of workers; a chunk's digest says whether it is
still what it was when a run began.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from adapter.problems import Problem
from adapter.read.files import MOST_BYTES, unpacked

PIECES = 200
"""The pieces of a chunk, as a rule: about a second's work, and what an interruption may cost."""

BYTES = 8 * 1024 * 1024
"""A chunk is closed when it holds so much."""


class PieceKind(StrEnum):
    """What a piece is."""

    LINE = "line"
    ROWS = "rows"
    FILE = "file"
    GATHERED = "gathered"


@dataclass(frozen=True, slots=True)
class Piece:
    """A line of NDJSON, an exam's rows with the table's header before them, a file to be read whole, or gathered
    resources: the bundle of one exam out of resources that stood alone.

    ``file`` is the name as given; ``at`` the number of the line or of the first row, 0 for a file. ``data`` is what
    was read, empty for a file, whose state (size and time of change, or a digest) stands in ``state``. ``header`` is
    how many bytes of ``data`` are the table's header. ``fault`` says why there is nothing to read. ``position``
    counts the bytes of all inputs up to here, as they lie on the disk. ``copy``: where a file lies that is there for
    this run alone (what came through standard input). ``places``: file and line of each resource that was gathered.
    ``left_out`` says why there is no exam here, though nothing is wrong.
    """

    kind: PieceKind
    file: str
    at: int = 0
    data: bytes = b""
    header: int = 0
    state: str = ""
    fault: Problem | None = None
    position: int = 0
    copy: str = ""
    places: tuple[tuple[str, int | None], ...] = ()
    left_out: str = ""

    @property
    def has_exams(self) -> bool:
        """Whether there is something to read."""
        return self.fault is None and not self.left_out

    @property
    def path(self) -> Path:
        """Where a file lies."""
        return Path(self.copy or self.file)

    def content(self) -> bytes:
        """What it holds, unpacked, as far as a reader reads. Raises ``OSError`` where a file cannot be read."""
        if self.kind is not PieceKind.FILE:
            return self.data
        with self.path.open("rb") as file:
            return unpacked(file).read(MOST_BYTES)

    @property
    def size(self) -> int:
        """What it weighs in a chunk."""
        return len(self.data) if self.kind is not PieceKind.FILE else int(self.state.partition(" ")[0] or 0)


@dataclass(frozen=True, slots=True)
class Chunk:
    """Pieces that are worked on together; ``number`` counts from 0, ``digest`` is of all that they hold."""

    number: int
    pieces: tuple[Piece, ...]
    digest: str

    @property
    def position(self) -> int:
        """How far into all inputs it reaches, in bytes."""
        return self.pieces[-1].position

    @property
    def place(self) -> str:
        """Where it begins, in words."""
        first = self.pieces[0]
        return first.file if not first.at else f"{first.file}, {'row' if first.header else 'line'} {first.at}"


def chunks(pieces: Iterable[Piece], most: int = PIECES, weight: int = BYTES) -> Iterator[Chunk]:
    """The pieces in chunks of at most so many, each closed when it weighs enough."""
    waiting: list[Piece] = []
    size = number = 0
    for piece in pieces:
        waiting.append(piece)
        size += piece.size
        if len(waiting) >= most or size >= weight:
            yield Chunk(number, tuple(waiting), _digest(waiting))
            waiting, size, number = [], 0, number + 1
    if waiting:
        yield Chunk(number, tuple(waiting), _digest(waiting))


def _digest(pieces: list[Piece]) -> str:
    made = hashlib.blake2b(digest_size=16)
    for piece in pieces:
        fault = piece.fault.rule if piece.fault else piece.left_out
        made.update(f"{piece.kind}\0{piece.file}\0{piece.at}\0{piece.state}\0{fault}\0{len(piece.data)}\0".encode())
        made.update(piece.data)
    return made.hexdigest()
