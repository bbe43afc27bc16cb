"""What a work is: how a worker makes the files of a chunk from its units, and where they go in the end."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any, Protocol, Self

from adapter import __version__
from adapter.catalogue.files import mappings
from adapter.problems import AdapterError, ExitCode, Problem, Severity
from adapter.run.inputs import Cut, Given
from adapter.run.pieces import Piece


class RunError(AdapterError):
    """A run that cannot begin or go on; the message says why and what to do, for people."""

    exit_code = ExitCode.USAGE


class NotWritten(RunError):
    """A file could not be written: a full disk, a folder that may not be written. What is finished is kept."""

    exit_code = ExitCode.MACHINE


class NotPossible(RunError):
    """What is asked for cannot be made, of these inputs or at all; nothing is kept."""


class ChunkLost(AdapterError):
    """What a chunk has made so far cannot be written, and not for one exam's sake.

    ``for_good``: trying again is of no use (:class:`NotPossible`).
    """

    exit_code = ExitCode.INTERNAL

    def __init__(self, why: str, *, for_good: bool = False) -> None:
        super().__init__(why)
        self.for_good = for_good


class Landing(StrEnum):
    """What becomes of a file of a chunk."""

    JOIN = "join"
    """It is put at the end of those before it."""
    TABLE = "table"
    """The same, its first line left out where others are before it."""
    PART = "part"
    """It stays a file by itself; the target holds ``{:05}`` for its number."""
    EACH = "each"
    """It is cut into files, whose names and lengths stand beside it in a file ``index``."""
    ALONE = "alone"
    """It is the output, and no other chunk may have one."""
    KEEP = "keep"
    """It is kept under its number until all are there, for :meth:`Work.finish`."""


@dataclass(frozen=True, slots=True)
class Output:
    """A file that a chunk may have: its name there, where it goes (below the output; empty: the output), and how.

    ``alone``: what is said where one that is to be alone is not. ``of_refused``: it tells of what was refused too,
    and is there even if nothing else was; an output without it is not written where all was refused.
    """

    name: str
    target: str
    landing: Landing
    alone: str = ""
    of_refused: bool = False


@dataclass(frozen=True, slots=True)
class Handled:
    """One exam (or resource) of a piece: whether it was refused, its problems, and its findings where it has any.

    ``left_out``: it is not in the output, though nothing is wrong with it. ``remark`` says why, or what is to be said
    of it otherwise; remarks are counted.
    """

    refused: bool
    problems: tuple[Problem, ...] = ()
    exam: str = ""
    findings: int = 0
    left_out: bool = False
    remark: str = ""


class ChunkMaker(Protocol):
    """A work inside a worker, which has loaded what it needs. ``OSError`` means that a file could not be written."""

    def begin(self, folder: Path) -> None:
        """Make the files of the next chunk in this folder."""

    def take(self, piece: Piece) -> Iterator[Handled]:
        """Work on a piece: all that it holds, one by one; what is refused of it is kept among the rejects."""

    def reject(self, piece: Piece, refused: Sequence[Handled]) -> None:
        """Refuse a piece that could not be worked on."""

    def end(self) -> None:
        """Close the files of the chunk."""


class Work(Protocol):
    """What is to be done, with all its options; small, since it is sent to every worker."""

    @property
    def name(self) -> str:
        """What is done, such as ``convert``."""

    @property
    def outputs(self) -> tuple[Output, ...]:
        """The files that a chunk may have."""

    @property
    def cut(self) -> Cut:
        """How inputs are cut."""

    @property
    def most(self) -> int:
        """So many pieces make a chunk."""

    def prepared(self, inputs: Sequence[Given], out: Path | None) -> Self:
        """The work with all that is to be known before it begins; ``out`` is None where it is poured into a stream.

        Raises :class:`NotPossible` where options do not go together or what they name cannot be used.
        """

    def identity(self) -> str:
        """All that decides what comes out for an input; a run goes on only under the same."""

    def open(self) -> ChunkMaker:
        """Load what is needed; called in the worker."""

    def finish(self, kept: Path, out: Path) -> Tally:
        """Make what can only be made of all chunks; what changes in the counts by it.

        ``kept`` is the folder of what was kept, ``out`` that of the outputs; it may be called again after a kill.
        """


_COUNTS = ("read", "done", "refused", "left_out", "findings")


@dataclass(slots=True)
class Tally:
    """Counts: ``read`` = ``done`` + ``refused`` + ``left_out``, always; ``findings`` of what is done.

    ``problems`` are counted by severity and rule."""

    read: int = 0
    done: int = 0
    refused: int = 0
    left_out: int = 0
    findings: int = 0
    problems: Counter[str] = field(default_factory=Counter)
    remarks: Counter[str] = field(default_factory=Counter)

    def count(self, handled: Handled) -> None:
        """One more."""
        self.read += 1
        self.refused += handled.refused
        self.left_out += handled.left_out
        self.done += not (handled.refused or handled.left_out)
        self.findings += handled.findings
        self.remarks.update([handled.remark] if handled.remark else ())
        self.problems.update(map(_kind, handled.problems))

    def refuse(self, handled: Handled, findings: int) -> None:
        """One that had been done, with so many findings, is refused after all."""
        self.done -= 1
        self.findings -= findings
        self.refused += 1
        self.problems.update(map(_kind, handled.problems))

    def doubt(self, handled: Handled, remark: str) -> None:
        """One that had been done, and stays, is in doubt."""
        self.remarks[remark] += 1
        self.problems.update(map(_kind, handled.problems))

    def leave_out(self, remark: str, findings: int) -> None:
        """One that had been done, with so many findings, is left out after all."""
        self.done -= 1
        self.findings -= findings
        self.left_out += 1
        self.remarks[remark] += 1

    def add(self, other: Tally) -> None:
        """All of another."""
        self.read += other.read
        self.done += other.done
        self.refused += other.refused
        self.left_out += other.left_out
        self.findings += other.findings
        self.problems.update(other.problems)
        self.remarks.update(other.remarks)

    def of(self, *severities: Severity) -> int:
        """How many problems have one of these severities."""
        names = {severity.value for severity in severities}
        return sum(count for name, count in self.problems.items() if name.partition(" ")[0] in names)

    def as_dict(self) -> dict[str, Any]:
        """As JSON holds it."""
        counts = {name: getattr(self, name) for name in _COUNTS}
        counted = {"problems": dict(sorted(self.problems.items())), "remarks": dict(sorted(self.remarks.items()))}
        return {**counts, **counted}

    @classmethod
    def from_dict(cls, found: dict[str, Any]) -> Tally:
        """What :meth:`as_dict` gave."""
        counts = {name: found[name] for name in _COUNTS}
        return cls(**counts, problems=Counter(found["problems"]), remarks=Counter(found["remarks"]))


def _kind(problem: Problem) -> str:
    return f"{problem.severity.value} {problem.rule}"


def catalogue_identity(site: Path | None, *others: Path | None) -> str:
    """A digest of this version, the shipped catalogue, a site's folder and other files that decide what comes out."""
    made = hashlib.blake2b(__version__.encode(), digest_size=16)
    roots = [("", mappings()), *((str(n), path) for n, path in enumerate((site, *others)) if path is not None)]
    for prefix, root in roots:
        for name, content in sorted(_contents(root, prefix)):
            made.update(f"{name}\0{len(content)}\0".encode())
            made.update(content)
    return made.hexdigest()


def _contents(path: Any, name: str) -> Iterator[tuple[str, bytes]]:
    if path.is_dir():
        for entry in path.iterdir():
            yield from _contents(entry, f"{name}/{entry.name}")
    else:
        yield name, path.read_bytes()
