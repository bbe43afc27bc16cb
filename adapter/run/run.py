"""A work on any number of exams: cut, spread over processes, put together; stopped at any moment and gone on with."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from adapter.problems import Problem
from adapter.run.chunks import BYTES, Chunk, chunks
from adapter.run.inputs import units_of, weight_of
from adapter.run.journal import Journal
from adapter.run.outputs import KEPT, OUT, Named, Outputs
from adapter.run.pool import GO_ON, PATIENCE, outcomes
from adapter.run.progress import Progress
from adapter.run.work import BulkError, Landing, Tally, Work
from adapter.run.worker import SHOWN, Outcome

UNFINISHED = ".unfinished"


@dataclass(frozen=True, slots=True)
class Summary:
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
    inputs: Sequence[Path],
    out: Path,
    *,
    jobs: int | None = None,
    most: int | None = None,
    progress: TextIO | None = None,
    patience: float = PATIENCE,
) -> Summary:
    """Do a work on all exams of files and folders, and put what comes of it into ``out``, whole or not at all.

    The outputs are the same, byte for byte, for any number of ``jobs`` (default: every processor) and however often
    the run was interrupted. Until it is whole all stands in ``OUT.unfinished``; the same call goes on after the last
    whole chunk. What is refused is in ``OUT.rejected`` (see :mod:`adapter.run.aside`), the counts in
    ``OUT.summary.json``. ``most`` is the size of a chunk in units; ``patience`` is how many seconds a worker may
    take for one exam. Raises :class:`BulkError` where it cannot begin or go on: an input is not what it was, a disk
    is full, another process is at work on the same.
    """
    began = time.monotonic()
    folder = out.with_name(out.name + UNFINISHED)
    _check(work, inputs, out, folder)
    identity = {
        "work": f"{work.name} {work.identity()}",
        "inputs": [str(path) for path in inputs],
        "cut": f"{most or work.most} {BYTES} {work.rows}",
    }
    try:
        journal = Journal(folder, identity)
    except OSError as error:
        raise BulkError(f"{folder} cannot be written: {error.strerror}") from None
    try:
        going = _Run(work, out, folder, journal, Progress(weight_of(inputs), progress))
        cut = chunks(units_of(inputs, work.rows), most or work.most)
        shown = [] if journal.whole else going.through(cut, jobs or jobs_here(), patience)
        rejected = going.outputs.land(out, going.tally.refused > 0)
        count = journal.last.number + 1 if journal.last else 0
        count = max(count, going.count)
        summary = Summary(work.name, going.tally, count, time.monotonic() - began, out, rejected, tuple(shown))
        _write(out.with_name(f"{out.name}.summary.json"), json.dumps(summary.as_dict(), indent=2).encode() + b"\n")
        shutil.rmtree(folder)
    except OSError as error:
        name = error.filename or out
        raise BulkError(f"{name} cannot be written: {error.strerror}. {GO_ON}") from None
    finally:
        journal.close()
    return summary


def stream(
    work: Work, inputs: Sequence[Path], *, jobs: int | None = None, patience: float = PATIENCE
) -> Iterator[tuple[Outcome, Path]]:
    """The same without anything kept: the outcome of each chunk in order, and the folder with its files.

    The folder is gone when the next is asked for. Raises :class:`BulkError` as :func:`run` does.
    """
    cut = chunks(units_of(inputs, work.rows), work.most)
    with tempfile.TemporaryDirectory(prefix="newborn-adapter-") as folder:
        for _, outcome, made in outcomes(work, cut, Path(folder), jobs or jobs_here(), patience):
            yield outcome, made
            shutil.rmtree(made)


def _check(work: Work, inputs: Sequence[Path], out: Path, folder: Path) -> None:
    for path in inputs:
        if not path.exists():
            raise BulkError(f"there is no file {path}")
    if not out.parent.is_dir():
        raise BulkError(f"{out} cannot be written: there is no folder {out.parent}")
    landings = {output.landing for output in work.outputs}
    into_folder = any(output.target for output in work.outputs) or Landing.EACH in landings
    if out.is_file() and into_folder:
        raise BulkError(f"{out} is a file; what is made is a folder")
    if out.is_dir() and not into_folder:
        raise BulkError(f"{out} is a folder; what is made is a file")
    fresh = folder.is_dir() or Landing.EACH in landings
    if out.is_dir() and not fresh and any(out.iterdir()):
        raise BulkError(f"{out} is not empty: name a new folder, so that nothing of another run is among the parts")


class _Run:
    """A run under way: its outputs, journal and counts."""

    def __init__(self, work: Work, out: Path, folder: Path, journal: Journal, progress: Progress) -> None:
        self.work, self.journal, self.progress, self.folder = work, journal, progress, folder
        self.outputs = Outputs(folder, work.outputs, journal)
        self.tally = Tally()
        self.count = 0
        if journal.whole is not None:
            self.tally.add(journal.whole)
        elif journal.last is not None:
            self.tally.add(journal.last.tally)

    def through(self, cut: Iterator[Chunk], jobs: int, patience: float) -> list[Problem]:
        """Every chunk that is not finished; some of the problems of what was refused."""
        self.outputs.go_on()
        for left in self.folder.glob("making-*"):
            shutil.rmtree(left, ignore_errors=True)
        shown: list[Problem] = []
        rest = self._unfinished(cut)
        making = Path(tempfile.mkdtemp(prefix="making-", dir=self.folder))
        try:
            for chunk, outcome, made in outcomes(self.work, rest, making, jobs, patience):
                self.tally.add(outcome.tally)
                shown += outcome.shown[: SHOWN - len(shown)]
                for named in self.outputs.take(chunk.number, made):
                    self._refuse(named)
                self.journal.add(chunk, self.tally, self.outputs.lengths)
                self.count = chunk.number + 1
                self.progress.report(self.tally, chunk.position)
        finally:
            shutil.rmtree(making, ignore_errors=True)
        self.progress.report(self.tally, 0, last=True)
        self.tally.add(self.work.finish(self.folder / KEPT, self.folder / OUT))
        self.journal.all_done(self.tally)
        return shown

    def _refuse(self, named: Named) -> None:
        taken = named.refused()
        self.tally.done -= 1
        self.tally.findings -= named.findings
        self.tally.refused += 1
        self.tally.problems.update(f"{problem.severity.value} {problem.rule}" for problem in taken.problems)

    def _unfinished(self, cut: Iterator[Chunk]) -> Iterator[Chunk]:
        """The chunks after the last finished one; those before must be what they were."""
        position = 0
        for number, digest in self.journal.finished():
            chunk = next(cut, None)
            if chunk is None or (chunk.number, chunk.digest) != (number, digest):
                where = f"at {chunk.place}" if chunk else "at its end, which is nearer now"
                raise BulkError(
                    f"the input is not what it was when this run began ({where}): give the same input again, or "
                    f"delete {self.folder} and begin anew"
                )
            position = chunk.position
        self.progress.gone_on(self.tally, position)
        yield from cut


def _write(path: Path, content: bytes) -> None:
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        temporary.write_bytes(content)
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
