"""Reads FHIR resources from any of the forms they come in: JSON, XML, NDJSON, told apart by content.

What cannot be read is a problem in the result, never an exception: one broken line of an NDJSON file does
not hide the others. NDJSON is read line by line, so memory does not grow with the file.
"""

from __future__ import annotations

import io
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from adapter.fhir.json import FhirJsonError, loads
from adapter.fhir.xml import FhirXmlError, from_xml
from adapter.problems import Layer, Problem, Severity

Source = str | os.PathLike[str] | bytes | BinaryIO

_BOM = b"\xef\xbb\xbf"
_JSON = "FHIR R4 JSON Representation (json.html)"
_XML = "FHIR R4 XML Representation (xml.html)"
_NDJSON = "NDJSON: one JSON object a line; FHIR R4 nd-json (nd-json.html)"
_NDJSON_SUFFIXES = (".ndjson", ".jsonl")


@dataclass(frozen=True, slots=True)
class Loaded:
    """One resource as read, or the reasons why there is none.

    ``resource`` is None where ``problems`` has an error. ``line`` is the line of an NDJSON file, counted
    from 1, and None for other forms; ``file`` the name given or the path.
    """

    resource: dict[str, Any] | None
    problems: list[Problem] = field(default_factory=list)
    file: str = ""
    line: int | None = None


def read_resources(path_or_bytes: Source, name: str = "") -> Iterator[Loaded]:
    """Yield each resource of a file, of bytes, or of an open binary stream (such as standard input).

    A string is a path. ``name`` is what problems call the source; the path where it is empty. The form is
    told by content: ``<`` begins XML; more than one JSON object, each on its line, is NDJSON. The name's
    ending ``.ndjson`` decides only where the first line is broken.
    """
    if isinstance(path_or_bytes, bytes):
        yield from _read(io.BytesIO(path_or_bytes), name)
    elif isinstance(path_or_bytes, str | os.PathLike):
        path = Path(path_or_bytes)
        try:
            with path.open("rb") as stream:
                yield from _read(stream, name or str(path))
        except OSError as error:
            reason = error.strerror or type(error).__name__
            yield _failed("cannot-read", f"cannot be read: {reason}", "a file that exists", name or str(path))
    else:
        yield from _read(path_or_bytes, name)


def _read(stream: BinaryIO, file: str) -> Iterator[Loaded]:
    skipped, first = _first_line(stream)
    if not first:
        yield _failed("empty-input", "nothing to read", "a FHIR resource as JSON, XML or NDJSON", file)
    elif first.lstrip().startswith(b"<"):
        yield _xml(first + stream.read(), file, skipped)
    elif file.lower().endswith(_NDJSON_SUFFIXES):
        yield from _ndjson(first, stream, file, skipped)
    elif _is_object(first):
        second_skipped, second = _first_line(stream)
        if not second:
            yield _json(first, file, None, skipped)
        else:
            yield _json(first, file, skipped + 1, 0)
            yield from _ndjson(second, stream, file, skipped + 1 + second_skipped)
    else:
        rest = stream.read()
        following = next((line for line in rest.split(b"\n", 20) if line.strip()), b"")
        if first.lstrip().startswith(b"{") and _is_object(following):
            yield from _ndjson(first, io.BytesIO(rest), file, skipped)
        else:
            yield _json(first + rest, file, None, skipped)


def _first_line(stream: BinaryIO) -> tuple[int, bytes]:
    """The number of blank lines, and the first line that is not blank (empty at the end)."""
    skipped = 0
    for line in stream:
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
    for number, line in enumerate(rest, start=skipped + 2):
        if line.strip():
            yield _json(line, file, number, 0)
        else:
            problem = Problem(
                Severity.WARNING, Layer.STRUCTURE, "blank-line", "a blank line in NDJSON", "no blank lines",
                file=file, line=number, section=_NDJSON,
            )  # fmt: skip
            yield Loaded(None, [problem], file, number)


def _json(data: bytes, file: str, line: int | None, offset: int) -> Loaded:
    """Read one JSON object; ``line`` is its line in NDJSON, ``offset`` the lines before a document."""
    try:
        value = loads(data)
    except FhirJsonError as error:
        rule = "duplicate-key" if error.key else "unreadable-json"
        at = line or (error.line + offset if error.line else None)
        remedy = "each property once" if error.key else "one well-formed JSON object in UTF-8"
        return _failed(rule, str(error), remedy, file, at, _NDJSON if line else _JSON)
    if not isinstance(value, dict):
        what = "JSON, but not an object"
        return _failed("not-a-resource", what, "one resource as a JSON object", file, line, _JSON)
    return Loaded(value, [], file, line)


def _xml(data: bytes, file: str, offset: int) -> Loaded:
    try:
        return Loaded(from_xml(data), [], file)
    except FhirXmlError as error:
        line = error.line + offset if error.line else None
        remedy = "XML of FHIR R4, in UTF-8, without document type"
        return _failed("unreadable-xml", str(error), remedy, file, line, _XML, error.where)


def _failed(
    rule: str, what: str, remedy: str, file: str, line: int | None = None, section: str = "", where: str = ""
) -> Loaded:
    problem = Problem(
        Severity.FATAL, Layer.STRUCTURE, rule, what, remedy, where=where, file=file, line=line, section=section
    )
    return Loaded(None, [problem], file, line)
