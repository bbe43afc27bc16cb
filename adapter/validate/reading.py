"""Reads FHIR resources from any of the forms they come in: JSON, XML, NDJSON, each plain or gzipped.

The form is told by content. What cannot be read is a problem in the result, never an exception: one broken line of
an NDJSON file does not hide the others. NDJSON is read line by line, so memory does not grow with the file, and a
resource larger than ``MAX_BYTES`` is refused before it is read.
"""

from __future__ import annotations

import codecs
import gzip
import io
import os
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path, PurePath
from typing import Any, BinaryIO, cast

from adapter.fhir.json import FhirJsonError, loads
from adapter.fhir.locations import excerpt, locate_duplicate, locate_json, locate_xml
from adapter.fhir.xml import FhirXmlError, from_xml
from adapter.problems import AdapterError, Layer, Problem, Severity

Source = str | os.PathLike[str] | bytes | BinaryIO

#: A resource (a line of NDJSON, or a whole file) may have this many bytes
MAX_BYTES = 64 * 1024 * 1024

_BOM = b"\xef\xbb\xbf"
_GZIP = b"\x1f\x8b"
_CHUNK = 1 << 20
_JSON = "FHIR R4 JSON Representation (json.html)"
_XML = "FHIR R4 XML Representation (xml.html)"
_NDJSON = "NDJSON: one JSON object a line; FHIR R4 nd-json (nd-json.html)"
_NDJSON_SUFFIXES = (".ndjson", ".jsonl")


@dataclass(frozen=True, slots=True)
class Loaded:
    """One resource as read, or the reasons why there is none.

    ``resource`` is None where ``problems`` has an error. ``line`` is the line of an NDJSON file, counted
    from 1, and None for other forms; ``file`` the name given or the path. ``data`` are the bytes that were read,
    which begin ``before`` lines into the file.
    """

    resource: dict[str, Any] | None
    problems: list[Problem] = field(default_factory=list)
    file: str = ""
    line: int | None = None
    data: bytes = field(default=b"", repr=False)
    before: int = 0

    @property
    def is_xml(self) -> bool:
        """Whether the resource came as XML."""
        return self.data.removeprefix(_BOM).lstrip().startswith(b"<")

    def located(self, problems: Iterable[Problem]) -> list[Problem]:
        """The problems of this resource with file, line and column."""
        problems = list(problems)
        wheres = {problem.where for problem in problems if problem.where}
        places = {}
        if wheres and self.data:
            text = self.data.removeprefix(_BOM).decode("utf-8", "replace")
            places = locate_xml(self.data, wheres) if self.is_xml else locate_json(text, wheres)
        made = []
        for problem in problems:
            line, column = places.get(problem.where, (None, None))
            line = line or problem.line
            if self.line or line is not None:
                line = self.line or (line or 0) + self.before
            made.append(replace(problem, file=self.file, line=line, column=column))
        return made

    def excerpt(self, problem: Problem) -> str:
        """The source of a problem with a mark beneath; empty where its place is not known."""
        if problem.line is None or not self.data:
            return ""
        line = 1 if self.line else problem.line - self.before
        text = self.data.removeprefix(_BOM).decode("utf-8", "replace")
        shown = excerpt(text, (line, problem.column))
        return shown.replace(f"{line:>6} |", f"{problem.line:>6} |", 1)


class _TooLarge(AdapterError):
    """A line or file of more than MAX_BYTES."""


def read_resources(path_or_bytes: Source, name: str = "") -> Iterator[Loaded]:
    """Yield each resource of a file, of bytes, or of an open binary stream (such as standard input).

    A string is a path. ``name`` is what problems call the source; the path where it is empty. The form is
    told by content: ``<`` begins XML; more than one JSON object, each on its line, is NDJSON; gzip is unpacked.
    The name's ending ``.ndjson`` decides only where the first line is broken.
    """
    if isinstance(path_or_bytes, str | os.PathLike):
        path = Path(path_or_bytes)
        name = name or str(path)
        try:
            with path.open("rb") as stream:
                yield from _guarded(stream, name)
        except OSError as error:
            reason = error.strerror or type(error).__name__
            yield _failed("cannot-read", f"cannot be read: {reason}", "a file that exists", name)
        return
    source: BinaryIO = io.BytesIO(path_or_bytes) if isinstance(path_or_bytes, bytes) else path_or_bytes
    yield from _guarded(source, name)


def _guarded(stream: BinaryIO, name: str) -> Iterator[Loaded]:
    try:
        yield from _read(_unpacked(stream), name.removesuffix(".gz"), name)
    except _TooLarge:
        what = f"more than {MAX_BYTES // 1024 // 1024} MB in one resource; the rest of the file was not read"
        yield _failed("too-large", what, "several resources, or NDJSON with one a line", name)
    except (gzip.BadGzipFile, zlib.error, EOFError):
        yield _failed("cannot-read", "a gzip file that is damaged or cut off", "the whole file, packed anew", name)


def _unpacked(stream: BinaryIO) -> BinaryIO:
    buffered: Any = stream if isinstance(stream, io.BufferedReader) else io.BufferedReader(cast(io.RawIOBase, stream))
    if buffered.peek(2)[:2] == _GZIP:
        return cast(BinaryIO, io.BufferedReader(gzip.GzipFile(fileobj=buffered)))
    return cast(BinaryIO, buffered)


def _read(stream: BinaryIO, kind: str, file: str) -> Iterator[Loaded]:
    skipped, first = _first_line(stream)
    if not skipped and (name := _other_encoding(first)):
        what = f"in {name}; FHIR is always UTF-8, as JSON and as XML"
        yield _failed("not-utf-8", what, "the same text saved as UTF-8", file, 1)
    elif not first:
        yield _failed("empty-input", "nothing to read", "a FHIR resource as JSON, XML or NDJSON", file)
    elif first.lstrip().startswith(b"<"):
        yield _xml(first + _rest(stream), file, skipped)
    elif kind.lower().endswith(_NDJSON_SUFFIXES):
        yield from _ndjson(first, stream, file, skipped)
    elif _is_object(first):
        second_skipped, second = _first_line(stream)
        if not second:
            yield _json(first, file, None, skipped)
        else:
            yield _json(first, file, skipped + 1, 0)
            yield from _ndjson(second, stream, file, skipped + 1 + second_skipped)
    else:
        rest = _rest(stream)
        following = next((line for line in rest.split(b"\n", 20) if line.strip()), b"")
        if first.lstrip().startswith(b"{") and _is_object(following):
            yield from _ndjson(first, io.BytesIO(rest), file, skipped)
        else:
            yield _json(first + rest, file, None, skipped)


_BEGINNINGS = (b"<", b"{", b"[")


def _other_encoding(data: bytes) -> str:
    """UTF-16 or UTF-32 by the byte order mark, or by the zeros beside the first letter; empty for any other."""
    if data.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)) or b"\0\0\0" in (data[:3], data[1:4]):
        return "UTF-32"
    marked = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    if marked or (b"\0" in data[:2] and data[:2].strip(b"\0") in _BEGINNINGS):
        return "UTF-16"
    return ""


def _line(stream: BinaryIO) -> bytes:
    """The next line; raises _TooLarge for one that is longer than a resource may be."""
    line = stream.readline(MAX_BYTES + 1)
    if len(line) > MAX_BYTES:
        raise _TooLarge
    return line


def _rest(stream: BinaryIO) -> bytes:
    """Everything that follows; raises _TooLarge."""
    rest = stream.read(MAX_BYTES + 1)
    if len(rest) > MAX_BYTES:
        raise _TooLarge
    return rest


def _first_line(stream: BinaryIO) -> tuple[int, bytes]:
    """The number of blank lines, and the first line that is not blank (empty at the end)."""
    skipped = 0
    while line := _line(stream):
        content = line.removeprefix(_BOM)
        if content.strip():
            return skipped, content
        skipped += 1
    return skipped, b""


def _is_object(line: bytes) -> bool:
    try:
        return isinstance(loads(line), dict)
    except FhirJsonError as error:
        return bool(error.key)  # whole JSON but for a property written twice


def _ndjson(first: bytes, rest: BinaryIO, file: str, skipped: int) -> Iterator[Loaded]:
    yield _json(first, file, skipped + 1, 0)
    number = skipped + 1
    while True:
        number += 1
        line = rest.readline(MAX_BYTES + 1)
        if not line:
            return
        if len(line) > MAX_BYTES:
            yield _long_line(file, number)
            while (line := rest.readline(_CHUNK)) and not line.endswith(b"\n"):
                pass
        else:
            yield read_line(line, file, number)


def read_line(data: bytes, file: str, number: int) -> Loaded:
    """The resource of one line of NDJSON; ``number`` counts from 1. A blank line is warned of."""
    if len(data) > MAX_BYTES:
        return _long_line(file, number)
    if data.strip():
        return _json(data, file, number, 0)
    problem = Problem(
        Severity.WARNING, Layer.STRUCTURE, "blank-line", "a blank line in NDJSON", "no blank lines",
        file=file, line=number, section=_NDJSON,
    )  # fmt: skip
    return Loaded(None, [problem], file, number)


def _long_line(file: str, number: int) -> Loaded:
    what = f"a line of more than {MAX_BYTES // 1024 // 1024} MB; it was not read"
    return _failed("too-large", what, "one resource a line", file, number, _NDJSON)


def _json(data: bytes, file: str, line: int | None, offset: int) -> Loaded:
    """Read one JSON object; ``line`` is its line in NDJSON, ``offset`` the lines before a document."""
    try:
        value = loads(data)
    except FhirJsonError as error:
        if (known := _another_form(data, file)) and line is None and not error.key:
            remedy = "newborn-adapter check, which reads it; newborn-adapter convert makes FHIR of it"
            return _failed("not-fhir", f"{known}, which is no FHIR", remedy, file, None, _JSON)
        rule = "duplicate-key" if error.key else "unreadable-json"
        at = line or (error.line + offset if error.line else None)
        column = None
        if error.key:
            place = locate_duplicate(data.removeprefix(_BOM).decode("utf-8", "replace"), error.key)
            if place is not None:
                at, column = line or place[0] + offset, place[1]
        remedy = "each property once" if error.key else "one well-formed JSON object in UTF-8"
        return _failed(rule, str(error), remedy, file, at, _NDJSON if line else _JSON, column=column)
    if isinstance(value, dict) and "resourceType" not in value and value.keys() >= {"exam", "newborn"}:
        what = "a capture record, which is no FHIR resource"
        remedy = "newborn-adapter check, which reads it; newborn-adapter convert makes FHIR of it"
        return _failed("capture-record", what, remedy, file, line, _JSON)
    if not isinstance(value, dict):
        what = "JSON, but not an object"
        return _failed("not-a-resource", what, "one resource as a JSON object", file, line, _JSON)
    return Loaded(value, [], file, line, data, offset)


def _another_form(data: bytes, file: str) -> str:
    """What an input is that is no JSON and that other commands read, or nothing."""
    from adapter.read.sniff import Kind, kind_of  # here: it loads all readers, and few inputs are asked about

    ending = PurePath(file).suffix.lower()
    kind = kind_of(data[:_CHUNK], ending)
    known = {Kind.MESSAGE: "a message of HL7 v2", Kind.WORKBOOK: "a workbook", Kind.CAPTURE_TABLE: "a table of exams"}
    if ending in (".csv", ".tsv"):
        known[Kind.OTHER_TABLE] = "a table"
    return "" if data.startswith((b"\xff\xfe", b"\xfe\xff")) else known.get(kind, "")


def _xml(data: bytes, file: str, offset: int) -> Loaded:
    try:
        return Loaded(from_xml(data), [], file, None, data, offset)
    except FhirXmlError as error:
        line = error.line + offset if error.line else None
        remedy = "XML of FHIR R4, in UTF-8, without document type"
        failed = _failed("unreadable-xml", str(error), remedy, file, line, _XML, error.where)
        return replace(failed, data=data, before=offset, line=None)


def _failed(
    rule: str,
    what: str,
    remedy: str,
    file: str,
    line: int | None = None,
    section: str = "",
    where: str = "",
    column: int | None = None,
) -> Loaded:
    problem = Problem(
        Severity.FATAL, Layer.STRUCTURE, rule, what, remedy, where, file, line=line, section=section, column=column
    )
    return Loaded(None, [problem], file, line)
