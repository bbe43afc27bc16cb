"""The log: one line of JSON an event, in the order of what happened.

No patient data: files are known by the beginning of their content's SHA-256 (the report beside a file names it
in full), exams by their ids, problems by rule, layer and item. What a problem says in words is in the report.
"""

from __future__ import annotations

import json
import threading
from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import TextIO

from adapter.problems import Problem

Detail = str | int | float | bool | None | dict[str, int] | list[str]


class Journal:
    """Writes events to ``stream``, whole lines, from any thread."""

    def __init__(self, stream: TextIO) -> None:
        self._stream, self._lock = stream, threading.Lock()

    def write(self, event: str, *, problems: Iterable[Problem] = (), **details: Detail) -> None:
        """One event; details that are empty are left out."""
        line: dict[str, Detail] = {
            "time": datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "event": event,
        }
        rules = Counter(
            f"{p.severity.value} {p.layer.value}/{p.rule}{' item ' + p.item if p.item else ''}" for p in problems
        )
        line |= {name: value for name, value in details.items() if value not in (None, "", {}, [])}
        if rules:
            line["problems"] = dict(rules)
        with self._lock:
            self._stream.write(json.dumps(line, ensure_ascii=True) + "\n")
            self._stream.flush()
