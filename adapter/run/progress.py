"""How far a run is, how fast, how long it will take: on a stream, a line that changes or one now and then; or as
numbers to whoever asks for them."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, TextIO

from adapter.run.work import Tally

_AT_A_TERMINAL, _ELSEWHERE = 0.5, 10.0
"""Seconds between two reports."""


Reported = TextIO | Callable[[dict[str, Any]], None]
"""Where reports go: words to a stream, or numbers to a function (``read``, ``refused``, ``a_second`` and, where the
end can be known, ``percent`` and ``seconds_left``)."""


class Progress:
    """Reports to ``stream``; without one it says nothing. ``weight`` is that of all inputs, in bytes."""

    def __init__(self, weight: int, stream: Reported | None = None) -> None:
        self._weight = weight
        self._heard = stream if callable(stream) else None
        self._stream = None if callable(stream) else stream
        self._live = self._stream is not None and self._stream.isatty()
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
        if self._heard is not None and (due or last):
            self._last = now
            self._heard(self._numbers(tally, position, now - self._begun))
        if self._stream is None or not (due or (last and self._width)):
            return
        self._last = now
        text = self._text(self._numbers(tally, position, now - self._begun))
        if self._live:
            print(f"\r{text:<{self._width}}", end="\n" if last else "", file=self._stream, flush=True)
            self._width = len(text)
        else:
            print(text, file=self._stream, flush=True)

    def _numbers(self, tally: Tally, position: int, seconds: float) -> dict[str, Any]:
        read, before = self._from or (0, 0)
        rate = (tally.read - read) / seconds if seconds else 0.0
        found = {"read": tally.read, "refused": tally.refused, "a_second": round(rate)}
        if not self._weight or position <= before:
            return found
        left = seconds * (self._weight - position) / (position - before)
        return found | {"percent": min(100, 100 * position // self._weight), "seconds_left": round(max(0, left))}

    @staticmethod
    def _text(numbers: dict[str, Any]) -> str:
        refused = f", {numbers['refused']:,} refused" if numbers["refused"] else ""
        text = f"{numbers['read']:,} read{refused}, {numbers['a_second']:,} a second"
        if "percent" not in numbers:
            return text
        return f"{text}, {numbers['percent']} %, {_duration(numbers['seconds_left'])} left"


def _duration(seconds: float) -> str:
    minutes, rest = divmod(int(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}"
