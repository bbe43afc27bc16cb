"""A work on any number of exams: cut, worked on, put together; stopped at any moment and gone on with.

Few exams are many with one chunk: that is done in this process. More chunks are spread over processes.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from adapter.files.whole import write
from adapter.problems import Problem
from adapter.run.inputs import SUMMARY, Given, Stream, copied, pieces_of, weight_of
from adapter.run.journal import RunJournal
from adapter.run.outputs import KEPT, OUT, Outputs
from adapter.run.pieces import BYTES, Chunk, chunks
from adapter.run.pool import GO_ON, PATIENCE, outcomes
from adapter.run.progress import Progress, Reported
from adapter.run.rejects import problems_in
from adapter.run.work import Landing, NotPossible, NotWritten, RunError, Tally, Work

UNFINISHED = ".unfinished"
_PRIMARY = 0xFF
"""Of an extended result code of SQLite, the primary one (sqlite.org, Result and Error Codes)."""
SHOWN = 20
"""So many problems of what was refused are told at once."""


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What a run came to. ``shown`` are some of the problems of what was refused, all of them are in ``rejected``."""

    work: str
    tally: Tally
    chunks: int
    seconds: float
    out: Path
    rejected: Path | None
    shown: tuple[Problem, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """As the file of the summary holds it."""
        return {
            "work": self.work,
            **self.tally.as_dict(),
            "chunks": self.chunks,
            "seconds": round(self.seconds, 1),
            "out": self.out.name,
            "rejected": self.rejected.name if self.rejected else None,
        }


def jobs_here() -> int:
    """The processors that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run(
    work: Work,
    inputs: Sequence[Given],
    out: Path,
    *,
    jobs: int | None = None,
    most: int | None = None,
    progress: Reported | None = None,
    patience: float = PATIENCE,
) -> RunSummary:
    """Do a work on all exams of the inputs, and put what comes of it into ``out``, whole or not at all.

    The outputs are the same, byte for byte, for any number of ``jobs`` (default: every processor; 0: this process
    alone, which an exam can then end) and however often the run was interrupted. Until it is whole all stands in
    ``OUT.unfinished``; the same call goes on after the last whole chunk. What is refused is in ``OUT.rejected`` (see
    :mod:`adapter.run.rejects`), the counts in ``OUT.summary.json``. ``most`` is the size of a chunk in pieces;
    ``patience`` is how many seconds a worker may take for one exam. Raises :class:`RunError` where it cannot begin or
    go on: an input is not what it was, a disk is full, another process is at work on the same; then nothing but
    ``OUT.unfinished`` is there.
    """
    began = time.monotonic()
    _check_inputs(inputs)
    streamed = tempfile.TemporaryDirectory(prefix="newborn-adapter-") if _streams(inputs) else nullcontext("")
    with _sqlite_in_words(), streamed as copies:
        inputs = copied(inputs, Path(copies))
        work = work.prepared(inputs, out)
        folder = out.with_name(out.name + UNFINISHED)
        _check_output(work, out, folder)
        identity = {
            "work": f"{work.name} {work.identity()}",
            "inputs": [str(given) if isinstance(given, Path) else given.name for given in inputs],
            "cut": f"{most or work.most} {BYTES} {work.cut}",
        }
        try:
            journal = RunJournal(folder, identity)
        except OSError as error:
            raise NotWritten(f"{folder} cannot be written: {error.strerror}") from None
        try:
            going = _Run(work, out, folder, journal, Progress(weight_of(inputs), progress))
            cut = chunks(pieces_of(inputs, work.cut), most or work.most)
            if journal.whole is None:
                going.through(cut, jobs_here() if jobs is None else jobs, patience)
            rejected = going.outputs.land(out, going.tally)
            shown = tuple(islice(problems_in(rejected), SHOWN)) if rejected else ()
            count = max(journal.last.number + 1 if journal.last else 0, going.count)
            summary = RunSummary(work.name, going.tally, count, time.monotonic() - began, out, rejected, shown)
            write(out.with_name(out.name + SUMMARY), json.dumps(summary.as_dict(), indent=2).encode() + b"\n")
            shutil.rmtree(folder)
        except NotPossible:
            shutil.rmtree(folder, ignore_errors=True)
            raise
        except OSError as error:
            name = error.filename or out
            raise NotWritten(f"{name} cannot be written: {error.strerror}. {GO_ON}") from None
        finally:
            journal.close()
    return summary


def stream(
    work: Work, inputs: Sequence[Given], *, jobs: int | None = None, patience: float = PATIENCE
) -> Iterator[tuple[Tally, Path]]:
    """The same without anything kept: the counts of each chunk in order, and the folder with its files.

    The folder is gone when the next is asked for. A stream is worked on as it comes, line by line, by this process.
    Raises :class:`RunError` as :func:`run` does.
    """
    _check_inputs(inputs)
    work = work.prepared(inputs, None)
    as_it_comes = _streams(inputs) and jobs is None
    with tempfile.TemporaryDirectory(prefix="newborn-adapter-") as name:
        folder = Path(name)
        cut = chunks(pieces_of(inputs, work.cut, folder), 1 if as_it_comes else work.most)
        processes = 0 if as_it_comes else jobs_here() if jobs is None else jobs
        for _, outcome, made in outcomes(work, cut, folder, processes, patience):
            yield outcome.tally, made
            shutil.rmtree(made)


@contextmanager
def _sqlite_in_words() -> Iterator[None]:
    """Temporary files of SQLite, and the database of an extract, on a disk that is full or fails."""
    try:
        yield
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & _PRIMARY not in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR):
            raise
        where = "the output, or where temporary files lie (the folder named by TMPDIR, else /var/tmp or /tmp)"
        raise NotWritten(f"SQLite cannot write ({error}): make room at {where}. {GO_ON}") from None


def _streams(inputs: Sequence[Given]) -> bool:
    return any(isinstance(given, Stream) for given in inputs)


def _check_inputs(inputs: Sequence[Given]) -> None:
    for given in inputs:
        if isinstance(given, Path) and not given.exists():
            raise NotPossible(f"there is no file {given}")


def _check_output(work: Work, out: Path, folder: Path) -> None:
    landings = {output.landing for output in work.outputs}
    into_folder = any(output.target for output in work.outputs) or Landing.EACH in landings
    if out.is_file() and into_folder:
        raise NotPossible(f"{out} is a file; what is made is a folder")
    if out.is_dir() and not into_folder:
        raise NotPossible(f"{out} is a folder; what is made is a file")
    goes_on = folder.is_dir() or Landing.EACH in landings
    if out.is_dir() and not goes_on and any(out.iterdir()):
        raise NotPossible(f"{out} is not empty: name a new folder, so that nothing of another run is among the parts")
    if not out.parent.is_dir():
        if not into_folder:
            raise NotPossible(f"{out} cannot be written: there is no folder {out.parent}")
        try:
            out.parent.mkdir(parents=True)
        except OSError as error:
            raise NotPossible(f"{out} cannot be made: {error.strerror}") from None


class _Run:
    """A run under way: its outputs, journal and counts."""

    def __init__(self, work: Work, out: Path, folder: Path, journal: RunJournal, progress: Progress) -> None:
        self.work, self.journal, self.progress, self.folder = work, journal, progress, folder
        self.outputs = Outputs(folder, work.outputs, journal)
        self.tally = Tally()
        self.count = 0
        if journal.whole is not None:
            self.tally.add(journal.whole)
        elif journal.last is not None:
            self.tally.add(journal.last.tally)

    def through(self, cut: Iterator[Chunk], jobs: int, patience: float) -> None:
        """Every chunk that is not finished."""
        self.outputs.go_on()
        for left in self.folder.glob("making-*"):
            shutil.rmtree(left, ignore_errors=True)
        rest = self._unfinished(cut)
        making = Path(tempfile.mkdtemp(prefix="making-", dir=self.folder))
        try:
            for chunk, outcome, made in outcomes(self.work, rest, making, jobs, patience):
                self.tally.add(outcome.tally)
                for named in self.outputs.take(chunk.number, made):
                    self.tally.refuse(named.refused(), named.findings)
                self.journal.add(chunk, self.tally, self.outputs.lengths)
                self.count = chunk.number + 1
                self.progress.report(self.tally, chunk.position)
        finally:
            shutil.rmtree(making, ignore_errors=True)
        self.progress.report(self.tally, 0, last=True)
        self.tally.add(self.work.finish(self.folder / KEPT, self.folder / OUT))
        self.journal.all_done(self.tally)

    def _unfinished(self, cut: Iterator[Chunk]) -> Iterator[Chunk]:
        """The chunks after the last finished one; those before must be what they were."""
        position = 0
        for number, digest in self.journal.finished():
            chunk = next(cut, None)
            if chunk is None or (chunk.number, chunk.digest) != (number, digest):
                where = f"at {chunk.place}" if chunk else "at its end, which is nearer now"
                raise RunError(
                    f"the input is not what it was when this run began ({where}): give the same input again, or "
                    f"delete {self.folder} and begin anew"
                )
            position = chunk.position
        self.progress.gone_on(self.tally, position)
        yield from cut
