"""An exam as a capture record in JSON: every digit kept, keys in the order of the format."""

from __future__ import annotations

import json
from datetime import datetime
from decimal import Decimal
from typing import Any

from adapter.exam import Exam


def to_json(exam: Exam, indent: int | None = 2) -> bytes:
    """The capture record, UTF-8, ending in a line feed; with ``indent`` None on one line, as NDJSON wants it."""
    return ("".join(_written(exam.record(), indent, 0)) + "\n").encode()


def _written(value: Any, indent: int | None, depth: int) -> list[str]:
    if isinstance(value, dict):
        entries = [
            [json.dumps(str(k), ensure_ascii=False), ": ", *_written(v, indent, depth + 1)] for k, v in value.items()
        ]
        return _bracketed("{", entries, "}", indent, depth)
    if isinstance(value, (list, tuple)):
        return _bracketed("[", [_written(v, indent, depth + 1) for v in value], "]", indent, depth)
    if isinstance(value, Decimal):
        return [f"{value:f}"]
    if isinstance(value, datetime):
        return [f'"{value.isoformat()}"']
    return [json.dumps(value, ensure_ascii=False)]


def _bracketed(start: str, entries: list[list[str]], end: str, indent: int | None, depth: int) -> list[str]:
    if not entries:
        return [start, end]
    inner = "\n" + " " * (indent * (depth + 1)) if indent is not None else ""
    outer = "\n" + " " * (indent * depth) if indent is not None else ""
    written = [start, inner]
    for n, entry in enumerate(entries):
        if n:
            written += [",", inner or " "]
        written += entry
    return [*written, outer, end]
