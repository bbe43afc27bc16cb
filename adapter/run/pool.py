"""Worker processes that are watched: chunks out, outcomes back in the order of the input.

A worker that dies (killed, out of memory) or does not move is replaced and its chunk done again. A piece at which
that happens twice is left out with the reason, and the others of its chunk are done.
"""

from __future__ import annotations

import multiprocessing
import time
from collections import Counter, deque
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from itertools import chain
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

from adapter.run.pieces import Chunk
from adapter.run.work import NotPossible, NotWritten, RunError, Work
from adapter.run.worker import ChunkOutcome, Task, carry_out, serve

PATIENCE = 300.0
"""Seconds without a sign of one exam after which a worker counts as hanging."""

_LOADING = 120.0
"""The same while a worker is loading what it needs."""

_AHEAD = 3
"""Chunks out for each worker, those that are done and wait for an earlier one among them."""
_TWICE = 2
_CONTEXT = multiprocessing.get_context("spawn")


def outcomes(
    work: Work, chunks: Iterable[Chunk], folder: Path, jobs: int, patience: float = PATIENCE
) -> Iterator[tuple[Chunk, ChunkOutcome, Path]]:
    """Each chunk with what became of it and the folder with its files, in order; at most so many are under way.

    A single chunk is done in this process, as all are with 0 ``jobs``. Raises :class:`RunError` where a file cannot
    be written or no worker can be started.
    """
    rest = iter(chunks)
    if jobs:
        first, second = next(rest, None), next(rest, None)
        rest = chain([one for one in (first, second) if one is not None], rest)
        jobs = 0 if second is None else jobs
    if jobs:
        with _crew(work, jobs, patience) as crew:
            yield from _Order(crew, folder, jobs).through(rest)
    else:
        yield from _here(work, rest, folder)


def _here(work: Work, chunks: Iterator[Chunk], folder: Path) -> Iterator[tuple[Chunk, ChunkOutcome, Path]]:
    maker = None
    for chunk in chunks:
        maker = maker or work.open()
        task = Task(chunk, folder / f"{chunk.number:05}")
        yield chunk, _well(carry_out(task, maker, [0, 0])), task.folder


GO_ON = "What is finished is kept: the same command goes on from there"


def _well(outcome: ChunkOutcome) -> ChunkOutcome:
    if outcome.for_good:
        raise NotPossible(outcome.fault)
    if outcome.fault:
        raise NotWritten(f"{outcome.fault}. {GO_ON}")
    return outcome


class _Worker:
    """One process, and the task it has."""

    def __init__(self, work: Work, patience: float) -> None:
        self.mark: Any = _CONTEXT.RawArray("q", 2)
        self.connection, theirs = _CONTEXT.Pipe()
        self.process = _CONTEXT.Process(target=serve, args=(theirs, work, self.mark), daemon=True)
        self.process.start()
        theirs.close()
        self.task: Task | None = None
        self._patience, self._seen, self._since = patience, (-1, -1), 0.0

    def give(self, task: Task) -> None:
        """Set to work; a worker that is no longer there is found out by its end."""
        self.task, self.mark[0] = task, -1
        self._seen, self._since = (-1, -1), time.monotonic()
        try:
            self.connection.send(task)
        except OSError:
            self.process.kill()

    def hangs(self) -> bool:
        """Whether nothing moved for as long as patience lasts."""
        seen = (self.mark[0], self.mark[1])
        if self.task is None or seen != self._seen:
            self._seen, self._since = seen, time.monotonic()
        begun = seen[0] >= 0
        return time.monotonic() - self._since > (self._patience if begun else max(self._patience, _LOADING))

    def end(self) -> int:
        """Make sure that it is gone; its exit code."""
        self.process.kill()
        self.process.join()
        self.connection.close()
        code = self.process.exitcode
        self.process.close()
        return code or 0


@contextmanager
def _crew(work: Work, jobs: int, patience: float) -> Iterator[_Crew]:
    crew = _Crew(work, patience)
    try:
        for _ in range(jobs):
            crew.hire()
        yield crew
    finally:
        for worker in crew.workers:
            worker.end()


@dataclass(slots=True)
class _Crew:
    """The workers, and how often each piece was the end of one."""

    work: Work
    patience: float
    workers: list[_Worker] = field(default_factory=list)
    lost: Counter[tuple[int, int]] = field(default_factory=Counter)
    idle_ends: int = 0

    def hire(self) -> None:
        self.workers.append(_Worker(self.work, self.patience))

    def news(self) -> tuple[list[ChunkOutcome], list[Task]]:
        """Wait until something happens: what was done, and the tasks of workers that were lost."""
        found: list[ChunkOutcome] = []
        again: list[Task] = []
        waited: list[Any] = [w.connection for w in self.workers] + [w.process.sentinel for w in self.workers]
        ready = wait(waited, min(1.0, self.patience / 2))
        for worker in list(self.workers):
            outcome = _received(worker.connection) if worker.connection in ready else None
            if outcome is not None:
                worker.task = None
                self.idle_ends = 0
                found.append(_well(outcome))
            elif not worker.process.is_alive():
                again += self._replace(worker, "")
            elif worker.hangs():
                again += self._replace(worker, f"nothing moved for {self.patience:g} seconds")
        return found, again

    def _replace(self, worker: _Worker, why: str) -> list[Task]:
        self.workers.remove(worker)
        task, piece = worker.task, int(worker.mark[0])
        code = worker.end()
        why = why or (f"ended by signal {-code}" if code < 0 else f"ended with code {code}")
        self.hire()
        if task is None or piece < 0:
            self.idle_ends += 1
            if self.idle_ends > len(self.workers) + _TWICE:
                raise RunError(f"worker processes cannot work here: {why}")
            return [task] if task else []
        self.lost[task.chunk.number, piece] += 1
        if self.lost[task.chunk.number, piece] < _TWICE:
            return [task]
        reason = f"a worker process was lost twice at this place ({why}; signal 9 is often a lack of memory)"
        every = piece in task.skip or piece >= len(task.chunk.pieces)
        pieces = range(len(task.chunk.pieces)) if every else (piece,)
        return [replace(task, skip={**task.skip, **dict.fromkeys(pieces, reason)})]


def _received(connection: Connection) -> ChunkOutcome | None:
    try:
        found = connection.recv()
    except (EOFError, OSError):
        return None
    assert isinstance(found, ChunkOutcome)
    return found


class _Order:
    """Gives chunks to a crew and hands their outcomes on in order."""

    def __init__(self, crew: _Crew, folder: Path, jobs: int) -> None:
        self.crew, self.folder, self.most = crew, folder, _AHEAD * jobs
        self.again: deque[Task] = deque()
        self.under_way: dict[int, Task] = {}
        self.ready: dict[int, ChunkOutcome] = {}

    def through(self, chunks: Iterator[Chunk]) -> Iterator[tuple[Chunk, ChunkOutcome, Path]]:
        """All of them. Numbers may begin anywhere, but follow each other."""
        due: int | None = None
        more = True
        while more or self.under_way:
            more = self._give(chunks, more)
            if not self.under_way:
                return
            due = min(self.under_way) if due is None else due
            done, lost = self.crew.news()
            self.ready.update((outcome.number, outcome) for outcome in done)
            self.again.extend(lost)
            while due in self.ready:
                task = self.under_way.pop(due)
                yield task.chunk, self.ready.pop(due), task.folder
                due += 1

    def _give(self, chunks: Iterator[Chunk], more: bool) -> bool:
        """A task for every idle worker; whether there may be more chunks."""
        for worker in self.crew.workers:
            if worker.task is not None:
                continue
            if self.again:
                worker.give(self.again.popleft())
            elif more and len(self.under_way) < self.most:
                chunk = next(chunks, None)
                if chunk is None:
                    return False
                task = Task(chunk, self.folder / f"{chunk.number:05}")
                self.under_way[chunk.number] = task
                worker.give(task)
        return more
