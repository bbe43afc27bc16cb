"""What a worker process does: chunk after chunk into folders, saying at every exam where it is."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import threading
from collections.abc import Iterator, Mapping, MutableSequence
from dataclasses import dataclass, field
from multiprocessing import parent_process
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from adapter.problems import Layer, Problem, Severity
from adapter.run.chunks import Chunk, Unit
from adapter.run.work import ChunkLost, Part, Taken, Tally, Work

SHOWN = 20
"""So many problems of refused exams go with the outcome of a chunk, to be shown at once."""


@dataclass(frozen=True, slots=True)
class Task:
    """A chunk, the folder its files go to, and the units that must not be touched, each with the reason."""

    chunk: Chunk
    folder: Path
    skip: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a chunk; ``fault`` says why nothing did (a full disk), then its folder does not count."""

    number: int
    tally: Tally
    shown: tuple[Problem, ...] = ()
    fault: str = ""


def serve(connection: Connection, work: Work, mark: MutableSequence[int]) -> None:
    """Work on tasks until there are no more; ends at once when the process that gives them does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # an interruption is the parent's to handle
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    sys.meta_path.insert(0, _WithoutPandas())
    part = work.open()
    while True:
        try:
            task = connection.recv()
        except EOFError:
            return
        connection.send(carry_out(task, part, mark))


class _WithoutPandas:
    """pyarrow loads pandas where it finds it, some 50 MB, and nothing here uses it."""

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        """Nothing is looked for here; raises ``ImportError`` for pandas, as where it is not installed."""
        if name == "pandas":
            raise ImportError(name)


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)


def carry_out(task: Task, part: Part, mark: MutableSequence[int]) -> Outcome:
    """Make the files of a chunk. ``mark`` gets the unit at work, and a number that changes with every exam."""
    tally = Tally()
    shown: list[Problem] = []
    making = task.folder.with_name(f"{task.folder.name}.{os.getpid()}")
    try:
        making.mkdir()
        part.begin(making)
        for index, unit in enumerate(task.chunk.units):
            mark[0] = index
            for taken in _taken(unit, part, task.skip.get(index, "")):
                mark[1] += 1
                tally.count(taken)
                if taken.refused:
                    shown += taken.problems[: SHOWN - len(shown)]
        mark[0] = len(task.chunk.units)
        part.end()
        shutil.rmtree(task.folder, ignore_errors=True)
        making.replace(task.folder)
    except ChunkLost as error:
        shutil.rmtree(making, ignore_errors=True)
        return Outcome(task.chunk.number, Tally(), fault=f"{task.chunk.place} and after it: {error}")
    except OSError as error:
        shutil.rmtree(making, ignore_errors=True)
        why = f"the output cannot be written: {error.strerror or type(error).__name__}"
        return Outcome(task.chunk.number, Tally(), fault=why)
    return Outcome(task.chunk.number, tally, tuple(shown))


def _taken(unit: Unit, part: Part, skip: str) -> Iterator[Taken]:
    """What a unit gives; a fault of the program in it is a refusal of that unit, and the others go on."""
    problem = unit.fault
    if skip:
        problem = _problem(unit, "worker-lost", skip, "look at this input by itself; the others went on")
    elif problem is None:
        try:
            yield from part.take(unit)
        except (OSError, ChunkLost):
            raise
        except Exception as error:
            what = f"internal fault: {type(error).__name__}"
            remedy = "a report of this fault: it is one of the program, not of the data"
            problem = _problem(unit, "internal-fault", what, remedy)
    if problem is not None:
        taken = Taken(True, (problem,))
        part.aside(unit, [taken])
        yield taken


def _problem(unit: Unit, rule: str, what: str, remedy: str) -> Problem:
    row = f"row {unit.at}" if unit.header else ""
    line = unit.at if unit.at and not row else None
    return Problem(Severity.FATAL, Layer.CAPTURE, rule, what, remedy, row, unit.file, line=line)
