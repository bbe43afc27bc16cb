"""A work that meets what a worker can meet: exams at which it is killed, hangs, or finds a fault of the program."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from adapter.run.convert import Convert
from adapter.run.pieces import Piece
from adapter.run.work import ChunkMaker, Handled

Start = Callable[..., "subprocess.Popen[str]"]
"""Starts a run as a process of its own: work, inputs, output, options."""

KILLS, HANGS, BREAKS = b"poison that kills", b"poison that hangs", b"poison that breaks"


@dataclass(frozen=True, slots=True)
class Poisoned(Convert):
    """Converting, but for exams with a poison in them."""

    def open(self) -> ChunkMaker:
        return _Maker(Convert.open(self))


class _Maker:
    def __init__(self, maker: ChunkMaker) -> None:
        self.begin, self.end, self.reject, self._take = maker.begin, maker.end, maker.reject, maker.take

    def take(self, piece: Piece) -> Iterator[Handled]:
        if KILLS in piece.data:
            os.kill(os.getpid(), signal.SIGKILL)
        if HANGS in piece.data:
            time.sleep(3600)
        if BREAKS in piece.data:
            raise ZeroDivisionError
        yield from self._take(piece)
