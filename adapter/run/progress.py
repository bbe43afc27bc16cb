"""How far a run is, how fast, how long it will take: on standard error, a line that changes or one now and then."""

from __future__ import annotations

import time
from typing import TextIO

from adapter.run.work import Tally

_AT_A_TERMINAL, _ELSEWHERE = 0.5, 10.0
"""Seconds between two reports."""


class Progress:
    """Reports to ``stream``; without one it says nothing. ``weight`` is that of all inputs, in bytes."""

    def __init__(self, weight: int, stream: TextIO | None = None) -> None:
        self._weight, self._stream = weight, stream
        self._live = stream is not None and stream.isatty()
        self._begun = self._last = time.monotonic()
        self._from: tuple[int, int] | None = None
        self._width = 0

    def gone_on(self, tally: Tally, position: int) -> None:
        """So much had been done when this run began: the rate is of what comes after."""
        self._from = (tally.read, position)
        if self._stream is not None and tally.read:
            print(f"goes on after {tally.read:,} that were finished before", file=self._stream, flush=True)

    def report(self, tally: Tally, position: int, *, last: bool = False) -> None:
        """So much is done, and so many bytes of the inputs behind it."""
        now = time.monotonic()
        due = now - self._last >= (_AT_A_TERMINAL if self._live else _ELSEWHERE)
        if self._stream is None or not (due or (last and self._width)):
            return
        self._last = now
        text = self._text(tally, position, now - self._begun)
        if self._live:
            print(f"\r{text:<{self._width}}", end="\n" if last else "", file=self._stream, flush=True)
            self._width = len(text)
        else:
            print(text, file=self._stream, flush=True)

    def _text(self, tally: Tally, position: int, seconds: float) -> str:
        read, before = self._from or (0, 0)
        rate = (tally.read - read) / seconds if seconds else 0.0
        refused = f", {tally.refused:,} refused" if tally.refused else ""
        text = f"{tally.read:,} read{refused}, {rate:,.0f} a second"
        if not self._weight or position <= before:
            return text
        left = seconds * (self._weight - position) / (position - before)
        return f"{text}, {min(100, 100 * position // self._weight)} %, {_duration(max(0, left))} left"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}"
