"""What an input is, by how it begins; the ending of its name counts only where that leaves it open."""

from __future__ import annotations

import csv
import io
import json
import re
from enum import Enum, auto
from itertools import islice
from typing import BinaryIO

from adapter.read.csv_columns import COLUMNS
from adapter.read.files import HEAD, MOST_BYTES

_LINE_ENDINGS = (".ndjson", ".jsonl")
_MESSAGE = re.compile(rb"[\x0b\s]*(MSH|FHS|BHS)[^A-Za-z0-9\s]")
_PAGE = re.compile(r"<(!doctype\s+html|html[\s>])", re.IGNORECASE)
_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
_DELIMITERS = ",;\t|"
_LONG = 1024 * 1024
_STARTS = tuple('{["-0123456789tfnNI')


class Kind(Enum):
    """The forms that inputs are read in."""

    EMPTY = auto()
    MANIFEST = auto()
    LINES = auto()
    JSON = auto()
    XML = auto()
    MESSAGE = auto()
    CAPTURE_TABLE = auto()
    OTHER_TABLE = auto()
    WORKBOOK = auto()
    UNKNOWN = auto()


_MAGIC: list[tuple[bytes, str, str]] = [
    (b"%PDF-", "is a PDF document", ""),
    (b"\x89PNG", "is a picture (PNG)", ""),
    (b"\xff\xd8\xff", "is a picture (JPEG)", ""),
    (b"GIF8", "is a picture (GIF)", ""),
    (b"SQLite format 3\0", "is a database (SQLite)", ""),
    (b"PAR1", "is a table in Parquet", "the table as CSV, with a column plan (--columns)"),
    (
        b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1",
        "is a workbook or document of an old office program",
        "the workbook as .xlsx",
    ),
    (b"BZh", "is packed with bzip2", "unpacked, or packed with gzip"),
    (b"\xfd7zXZ\0", "is packed with xz", "unpacked, or packed with gzip"),
    (b"\x28\xb5\x2f\xfd", "is packed with Zstandard", "unpacked, or packed with gzip"),
    (b"7z\xbc\xaf\x27\x1c", "is a 7z archive", "unpacked: the files in it, or a folder of them"),
    (b"Rar!\x1a", "is a RAR archive", "unpacked: the files in it, or a folder of them"),
    (b"PK\x03\x04", "is a ZIP archive", "unpacked: the files in it, or a folder of them"),
]
_PLAN = (
    "a column plan with it (--columns), which says what its columns are; newborn-adapter columns draft makes one to"
    " begin with"
)
RIGHT = (
    "a capture record (JSON), the long CSV, FHIR that this adapter wrote, or HL7 v2; any other table comes with a"
    " column plan (--columns)"
)
"""What may be given."""


def what_it_is(head: bytes, kind: Kind) -> tuple[str, str]:
    """An input that is of no form that is read: what it is, and what would be right."""
    if kind is Kind.WORKBOOK:
        return "is a workbook", _PLAN
    if kind is Kind.OTHER_TABLE:
        return "is a table, but none of its columns is one of the long CSV", (
            f"{_PLAN}; or the columns of the long CSV, exam_id the first of them"
        )
    for magic, what, remedy in _MAGIC:
        if head.startswith(magic):
            return what, remedy or RIGHT
    if _PAGE.search(_text(head)[:2000]):
        return "is a web page (HTML)", RIGHT
    return "is of no form that is read here", RIGHT


def kind_of(head: bytes, ending: str = "") -> Kind:
    """What an input is whose first bytes these are: all of it, or at least three lines that are not blank."""
    text = _text(head)
    if not head.strip(b"\xef\xbb\xbf \t\r\n"):
        return Kind.EMPTY
    if head.startswith(_UTF_16):
        return Kind.CAPTURE_TABLE  # the reader of text says that it is in the wrong encoding
    if any(head.startswith(magic) for magic, _, _ in _MAGIC):
        return Kind.WORKBOOK if head.startswith(b"PK\x03\x04") and _is_workbook(head, ending) else Kind.UNKNOWN
    if _MESSAGE.match(head.removeprefix(b"\xef\xbb\xbf")):
        return Kind.MESSAGE
    if text.startswith("<"):
        return Kind.UNKNOWN if _PAGE.search(text[:2000]) else Kind.XML
    if _is_lines(text, ending):
        return Kind.LINES
    if text.startswith(("{", "[")) or _is_json(text):
        return Kind.MANIFEST if _is_manifest(text) else Kind.JSON
    return _kind_of_table(text)


def _text(head: bytes) -> str:
    return head.decode("utf-8-sig", errors="ignore").lstrip()


def _is_workbook(head: bytes, ending: str) -> bool:
    return b"xl/" in head or ending in (".xlsx", ".xlsm") or (b"[Content_Types].xml" in head and b"word/" not in head)


def _is_json(text: str) -> bool:
    if text[:1] not in _STARTS:
        return False
    try:
        json.loads(text)
    except (ValueError, RecursionError):
        return False
    return True


def _is_object(line: str) -> bool:
    """A line of a megabyte is told by its ends: parsed, it could fill the memory before any bound is looked at."""
    if len(line) > _LONG:
        return line.startswith("{") and line.endswith("}")
    return line.startswith("{") and _is_json(line)


def _is_lines(text: str, ending: str) -> bool:
    """NDJSON: of the first three lines one at least is a whole object, and the others could be meant for one."""
    lines = list(islice((line for one in text.split("\n", 1000) if (line := one.strip())), 3))
    if lines and ending in _LINE_ENDINGS and lines[0] not in ("{", "["):
        return True
    if len(lines) < 2:
        return False
    meant = (line.startswith("{") or (len(line) <= _LONG and _is_json(line)) for line in lines)
    return any(_is_object(line) for line in lines) and all(meant)


def _is_manifest(text: str) -> bool:
    """Whether it is what a Bulk Data export has beside its NDJSON (FHIR Bulk Data Access 2.0, complete status)."""
    return '"transactionTime"' in text and '"output"' in text and '"resourceType"' not in text


def _kind_of_table(text: str) -> Kind:
    if not text or "\0" in text:
        return Kind.UNKNOWN
    first, *rest = [line.rstrip("\r") for line in text.split("\n", 2)[:2]]
    delimiter = max(_DELIMITERS, key=first.count)
    known = {cell.strip().strip('"') for cell in first.split(delimiter)} & set(COLUMNS)
    if "exam_id" in known or len(known) > 2:
        return Kind.CAPTURE_TABLE
    try:
        rows = list(csv.reader(io.StringIO("\n".join([first, *rest])), delimiter=delimiter, strict=True))
    except csv.Error:
        return Kind.UNKNOWN
    width = {len(row) for row in rows}
    return Kind.OTHER_TABLE if len(rows) > 1 and len(width) == 1 and width != {1} else Kind.UNKNOWN


def beginning(stream: BinaryIO) -> bytes:
    """So much of an input as tells what it is: some kilobytes, and three lines of what may be NDJSON."""
    head = stream.read(HEAD)
    while not head.strip() and len(head) <= MOST_BYTES and (more := stream.read(HEAD)):
        head += more
    if not _text(head).startswith(("{", '"')):
        return head
    parts = [head]
    size, lines = len(head), sum(1 for _ in islice((1 for line in head.split(b"\n")[:-1] if line.strip()), 3))
    while lines < 3 and size <= MOST_BYTES:
        line = stream.readline(MOST_BYTES + 1 - size)
        if not line:
            break
        parts.append(line)
        size += len(line)
        lines += bool(line.strip())
    return b"".join(parts)
