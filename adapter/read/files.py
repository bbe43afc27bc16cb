"""Bytes of an input: unpacked, bounded, in UTF-8."""

from __future__ import annotations

import csv
import gzip
import io
import json
from collections.abc import Iterator
from typing import BinaryIO, cast

from adapter.read.places import Place
from adapter.read.reading import Reading

MOST_BYTES = 64 * 1024 * 1024
"""The largest document, table or line of NDJSON that is read; far above any exam, below what fills a memory."""
MOST_VALUES = 4_000_000
"""The most values, elements or fields of one document: each takes a hundred bytes of memory, however short it is."""
MOST_CELLS = 8_000_000
"""The most cells of one table."""
MOST_COLUMNS = 16_384
"""The most cells of one row, as spreadsheets have it."""
MOST_UNPACKED = 512 * 1024 * 1024
"""The most bytes that a workbook may unpack to."""
MOST_FINDINGS = 5_000
"""The most findings of one exam, which has some hundred and twenty."""
MOST_PARTS = 1_000
"""The most keys or entries of anything else in a record: examiners, identifiers, signs of a score."""
MOST_DEPTH = 40
"""How deep what is unreadable in a record is looked for."""

_GZIP = b"\x1f\x8b"
HEAD = 64 * 1024


def unpacked(stream: BinaryIO) -> BinaryIO:
    """The stream itself, or what is in it where it is packed with gzip (RFC 1952); buffered."""
    known = isinstance(stream, io.BufferedReader)
    buffered = stream if known else io.BufferedReader(cast(io.RawIOBase, stream), HEAD)
    if cast(io.BufferedReader, buffered).peek(2)[:2] == _GZIP:
        return cast(BinaryIO, io.BufferedReader(gzip.GzipFile(fileobj=buffered), HEAD))
    return buffered


def one_a_line(head: str) -> bool:
    """Whether a text is NDJSON by its beginning: the first line is a whole JSON object and another follows."""
    first, _, rest = head.partition("\n")
    if not first.startswith("{") or not rest.lstrip().startswith("{"):
        return False
    try:
        json.loads(first)
    except (ValueError, RecursionError):
        return False
    return True


class Rest(io.RawIOBase):
    """A stream with the part already read put back before it."""

    def __init__(self, head: bytes, stream: BinaryIO) -> None:
        self._head, self._stream = io.BytesIO(head), stream

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        data = self._head.read(len(buffer)) or self._stream.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


def decoded(data: bytes, name: str, line: int | None = None) -> str | Reading:
    """The text of a document or a line, or why there is none."""
    if len(data) > MOST_BYTES:
        return too_large(name, line)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return refused(name, "not-utf-8", "is in UTF-16", "UTF-8: save it again with that encoding", line)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        at = line or data.count(b"\n", 0, error.start) + 1
        what = f"is not UTF-8 (byte {data[error.start]:#04x})"
        return refused(name, "not-utf-8", what, "UTF-8: save it again with that encoding", at)


def is_crowded(data: bytes | str, *marks: str) -> bool:
    """Whether a document holds more values than are read at once; ``marks`` are what stands before each of them."""
    if len(data) <= MOST_VALUES:
        return False
    counts = (data.count(mark) if isinstance(data, str) else data.count(mark.encode()) for mark in marks)
    return sum(counts) > MOST_VALUES


def table_rows(text: str, delimiter: str) -> Iterator[list[str]]:
    """The rows of a table (RFC 4180). Raises :class:`csv.Error` for what is none, or has rows too wide."""

    def lines() -> Iterator[str]:
        for line in io.StringIO(text, newline=""):
            if len(line) > MOST_COLUMNS and line.count(delimiter) >= MOST_COLUMNS:
                raise csv.Error(f"a row of more than {MOST_COLUMNS} cells")
            yield line

    return csv.reader(lines(), delimiter=delimiter, strict=True)


def too_large(name: str, line: int | None = None) -> Reading:
    """An input with more bytes than are read at once."""
    what = f"is larger than {MOST_BYTES // 1024 // 1024} MB"
    return refused(name, "too-large", what, "NDJSON, one exam a line, or several files", line)


def too_many(name: str, line: int | None = None) -> Reading:
    """An input with more values than are read at once."""
    what = f"holds more than {MOST_VALUES:,} values".replace(",", " ")
    return refused(name, "too-large", what, "NDJSON, one exam a line, or several files", line)


def refused(name: str, rule: str, what: str, remedy: str, line: int | None = None) -> Reading:
    """An input without an exam, and why."""
    return Reading(None, (Place("", line, name).error(rule, what, remedy),), name)
