"""A long input in pieces: units, the least that is taken or set aside, and chunks of them, what a worker gets.

The same input is always cut in the same way, whatever the number of workers; a chunk's digest says whether it is
still what it was when a run began.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from adapter.problems import Problem

UNITS = 200
"""The units of a chunk, as a rule: about a second's work, and what an interruption may cost."""

BYTES = 8 * 1024 * 1024
"""A chunk is closed when it holds so much."""


class Form(StrEnum):
    """What a unit is."""

    LINE = "line"
    ROWS = "rows"
    FILE = "file"


@dataclass(frozen=True, slots=True)
class Unit:
    """A line of NDJSON, the rows of an exam with the table's header before them, or a file to be read whole.

    ``file`` is the name as given; ``at`` the number of the line or of the first row, 0 for a file. ``data`` is what
    was read, empty for a file, whose state (size and time of change) stands in ``state``. ``header`` is how many
    bytes of ``data`` are the table's header. ``fault`` says why there is nothing to read. ``position`` counts the
    bytes of all inputs up to here, as they lie on the disk.
    """

    form: Form
    file: str
    at: int = 0
    data: bytes = b""
    header: int = 0
    state: str = ""
    fault: Problem | None = None
    position: int = 0

    @property
    def size(self) -> int:
        """What it weighs in a chunk."""
        return len(self.data) if self.form is not Form.FILE else int(self.state.partition(" ")[0] or 0)


@dataclass(frozen=True, slots=True)
class Chunk:
    """Units that are worked on together; ``number`` counts from 0, ``digest`` is of all that they hold."""

    number: int
    units: tuple[Unit, ...]
    digest: str

    @property
    def position(self) -> int:
        """How far into all inputs it reaches, in bytes."""
        return self.units[-1].position

    @property
    def place(self) -> str:
        """Where it begins, in words."""
        first = self.units[0]
        return first.file if not first.at else f"{first.file}, {'row' if first.header else 'line'} {first.at}"


def chunks(units: Iterable[Unit], most: int = UNITS, weight: int = BYTES) -> Iterator[Chunk]:
    """The units in chunks of at most so many, each closed when it weighs enough."""
    gathered: list[Unit] = []
    size = number = 0
    for unit in units:
        gathered.append(unit)
        size += unit.size
        if len(gathered) >= most or size >= weight:
            yield Chunk(number, tuple(gathered), _digest(gathered))
            gathered, size, number = [], 0, number + 1
    if gathered:
        yield Chunk(number, tuple(gathered), _digest(gathered))


def _digest(units: list[Unit]) -> str:
    made = hashlib.blake2b(digest_size=16)
    for unit in units:
        fault = unit.fault.rule if unit.fault else ""
        made.update(f"{unit.form}\0{unit.file}\0{unit.at}\0{unit.state}\0{fault}\0{len(unit.data)}\0".encode())
        made.update(unit.data)
    return made.hexdigest()
