"""Any file of captured exams: which format it is, and its readings one by one."""

from __future__ import annotations

import gzip
import io
import json
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, cast

from adapter.catalogue import Catalogue
from adapter.read.csv_reader import read_csv
from adapter.read.json_reader import read_json
from adapter.read.places import Place
from adapter.read.reading import Reading

MOST_BYTES = 64 * 1024 * 1024
"""The largest document, CSV or line of NDJSON that is read; far above any exam, below what fills a memory."""

_GZIP = b"\x1f\x8b"
_HEAD = 64 * 1024
_NDJSON_NAMES = (".ndjson", ".jsonl")
_CSV_NAMES = (".csv", ".tsv", ".tab")


def read_captures(source: Path | BinaryIO, catalogue: Catalogue, *, name: str = "") -> Iterator[Reading]:
    """Every exam of an input, each with all its problems; never raises for what the input holds.

    JSON (one document or an array of them), NDJSON (one document a line, read line by line) and the long CSV
    are told apart by the name's ending, else by what stands at the beginning; each may be packed with gzip.
    ``name`` is what problems call the input; without it the path is named.
    """
    if isinstance(source, Path):
        name = name or str(source)
        try:
            with source.open("rb") as stream:
                yield from _guarded(stream, catalogue, name)
        except OSError as error:
            what = f"cannot be read: {error.strerror or error}"
            yield _refused(name, "cannot-read", what, "a file that exists and may be read")
    else:
        yield from _guarded(source, catalogue, name or "standard input")


def read_line(data: bytes, catalogue: Catalogue, name: str, number: int) -> Iterator[Reading]:
    """The exam of one line of NDJSON, or why there is none; nothing for a blank line. ``number`` counts from 1."""
    text = _text(data, name, number)
    if isinstance(text, Reading):
        yield text
    elif text.strip():
        yield from read_json(text, catalogue, name, number)


def unpacked(stream: BinaryIO) -> BinaryIO:
    """The stream itself, or what is in it where it is packed with gzip (RFC 1952); buffered."""
    known = isinstance(stream, io.BufferedReader)
    buffered = stream if known else io.BufferedReader(cast(io.RawIOBase, stream), _HEAD)
    if cast(io.BufferedReader, buffered).peek(2)[:2] == _GZIP:
        return cast(BinaryIO, io.BufferedReader(gzip.GzipFile(fileobj=buffered), _HEAD))
    return buffered


def _guarded(stream: BinaryIO, catalogue: Catalogue, name: str) -> Iterator[Reading]:
    try:
        yield from _read(unpacked(stream), catalogue, name)
    except (gzip.BadGzipFile, zlib.error, EOFError):
        what = "is a gzip file that is damaged or cut off"
        yield _refused(name, "cannot-read", what, "the whole file, packed anew")


def _read(stream: BinaryIO, catalogue: Catalogue, name: str) -> Iterator[Reading]:
    head = stream.read(_HEAD)
    text_head = head.decode("utf-8-sig", errors="ignore").lstrip()
    ending = Path(name.removesuffix(".gz")).suffix.lower()
    if not text_head and not head.strip():
        yield _refused(name, "empty-file", "is empty", "a capture record in JSON, NDJSON or CSV")
    elif ending in _NDJSON_NAMES or (ending not in _CSV_NAMES and one_a_line(text_head)):
        yield from _lines(_Rest(head, stream), catalogue, name)
    else:
        text = _text(head + stream.read(max(0, MOST_BYTES + 1 - len(head))), name)
        if isinstance(text, Reading):
            yield text
        elif (ending not in _CSV_NAMES and text.lstrip()[:1] in ("{", "[")) or ending == ".json":
            yield from read_json(text, catalogue, name)
        else:
            yield from read_csv(text, catalogue, name)


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


class _Rest(io.RawIOBase):
    """A stream with the part already read put back before it."""

    def __init__(self, head: bytes, stream: BinaryIO) -> None:
        self._head, self._stream = io.BytesIO(head), stream

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        data = self._head.read(len(buffer)) or self._stream.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)


def _lines(stream: io.RawIOBase, catalogue: Catalogue, name: str) -> Iterator[Reading]:
    lines = io.BufferedReader(stream, _HEAD)
    number = 0
    while line := lines.readline(MOST_BYTES + 1):
        number += 1
        yield from read_line(line, catalogue, name, number)
        if len(line) > MOST_BYTES:
            return


def _text(data: bytes, name: str, line: int | None = None) -> str | Reading:
    if len(data) > MOST_BYTES:
        what = f"is larger than {MOST_BYTES // 1024 // 1024} MB"
        return _refused(name, "too-large", what, "NDJSON, one exam a line, or several files", line)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return _refused(name, "not-utf-8", "is in UTF-16", "UTF-8: save it again with that encoding", line)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        at = line or data.count(b"\n", 0, error.start) + 1
        what = f"is not UTF-8 (byte {data[error.start]:#04x})"
        return _refused(name, "not-utf-8", what, "UTF-8: save it again with that encoding", at)


def _refused(name: str, rule: str, what: str, remedy: str, line: int | None = None) -> Reading:
    return Reading(None, (Place("", line, name).error(rule, what, remedy),), name)
