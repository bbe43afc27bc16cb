"""A work that meets what a worker can meet: exams at which it is killed, hangs, or finds a fault of the program."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from adapter.run.chunks import Unit

from adapter.run.convert import Convert
from adapter.run.work import Part, Taken

Start = Callable[..., "subprocess.Popen[str]"]
"""Starts a run as a process of its own: work, inputs, output, options."""

KILLS, HANGS, BREAKS = b"poison that kills", b"poison that hangs", b"poison that breaks"


@dataclass(frozen=True, slots=True)
class Poisoned(Convert):
    """Converting, but for exams with a poison in them."""

    def open(self) -> Part:
        return _Part(Convert(self.kind).open())


class _Part:
    def __init__(self, part: Part) -> None:
        self.begin, self.end, self.aside, self._take = part.begin, part.end, part.aside, part.take

    def take(self, unit: Unit) -> Iterator[Taken]:
        if KILLS in unit.data:
            os.kill(os.getpid(), signal.SIGKILL)
        if HANGS in unit.data:
            time.sleep(3600)
        if BREAKS in unit.data:
            raise ZeroDivisionError
        yield from self._take(unit)
