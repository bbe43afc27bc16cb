"""What a worker process does: chunk after chunk into folders, saying at every exam where it is."""

from __future__ import annotations

import gc
import os
import shutil
import signal
import sys
import threading
from collections.abc import Iterator, Mapping, MutableSequence
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing import parent_process
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from adapter.problems import Layer, Problem, Severity
from adapter.run.pieces import Chunk, Piece
from adapter.run.work import ChunkLost, ChunkMaker, Handled, Tally, Work


@dataclass(frozen=True, slots=True)
class Task:
    """A chunk, the folder its files go to, and the pieces that must not be touched, each with the reason."""

    chunk: Chunk
    folder: Path
    skip: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ChunkOutcome:
    """What became of a chunk; ``fault`` says why nothing did (a full disk), then its folder does not count.

    ``for_good``: trying again is of no use.
    """

    number: int
    tally: Tally
    fault: str = ""
    for_good: bool = False


def serve(connection: Connection, work: Work, mark: MutableSequence[int]) -> None:
    """Work on tasks until there are no more; ends at once when the process that gives them does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # an interruption is the parent's to handle
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    sys.meta_path.insert(0, _WithoutPandas())
    maker = work.open()
    gc.freeze()  # what stays to the end is not looked through for cycles with every few exams
    while True:
        try:
            task = connection.recv()
        except EOFError:
            return
        connection.send(carry_out(task, maker, mark))


class _WithoutPandas:
    """pyarrow loads pandas where it finds it, some 50 MB, and nothing here uses it."""

    def find_spec(self, name: str, path: object = None, target: object = None) -> None:
        """Nothing is looked for here; raises ``ImportError`` for pandas, as where it is not installed."""
        if name == "pandas":
            raise ImportError(name)


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(1)


def carry_out(task: Task, maker: ChunkMaker, mark: MutableSequence[int]) -> ChunkOutcome:
    """Make the files of a chunk. ``mark`` gets the piece at work, and a number that changes with every exam."""
    tally = Tally()
    making = task.folder.with_name(f"{task.folder.name}.{os.getpid()}")
    try:
        making.mkdir()
        maker.begin(making)
        for index, piece in enumerate(task.chunk.pieces):
            mark[0] = index
            for handled in _handled(piece, maker, task.skip.get(index, "")):
                mark[1] += 1
                tally.count(handled)
        mark[0] = len(task.chunk.pieces)
        maker.end()
        shutil.rmtree(task.folder, ignore_errors=True)
        making.replace(task.folder)
    except ChunkLost as error:
        _give_up(maker, making)
        why = str(error) if error.for_good else f"{task.chunk.place} and after it: {error}"
        return ChunkOutcome(task.chunk.number, Tally(), fault=why, for_good=error.for_good)
    except OSError as error:
        _give_up(maker, making)
        why = f"the output cannot be written: {error.strerror or type(error).__name__}"
        return ChunkOutcome(task.chunk.number, Tally(), fault=why)
    return ChunkOutcome(task.chunk.number, tally)


def _give_up(maker: ChunkMaker, making: Path) -> None:
    """Close what is open of the chunk, and take it away."""
    with suppress(Exception):
        maker.end()
    shutil.rmtree(making, ignore_errors=True)


def _handled(piece: Piece, maker: ChunkMaker, skip: str) -> Iterator[Handled]:
    """What a piece gives; a fault of the program in it is a refusal of that piece, and the others go on."""
    problem = piece.fault
    if piece.left_out:
        yield Handled(False, left_out=True, remark=piece.left_out)
    elif skip:
        problem = _problem(piece, "worker-lost", skip, "look at this input by itself; the others went on")
    elif problem is None:
        try:
            yield from maker.take(piece)
        except (OSError, ChunkLost):
            raise
        except Exception as error:
            what = f"internal fault: {type(error).__name__}"
            remedy = "a report of this fault: it is one of the program, not of the data"
            problem = _problem(piece, "internal-fault", what, remedy)
    if problem is not None:
        handled = Handled(True, (problem,))
        maker.reject(piece, [handled])
        yield handled


def _problem(piece: Piece, rule: str, what: str, remedy: str) -> Problem:
    row = f"row {piece.at}" if piece.header else ""
    line = piece.at if piece.at and not row else None
    return Problem(Severity.FATAL, Layer.CAPTURE, rule, what, remedy, row, piece.file, line=line)
