"""One way in: whatever an input is, it is told by its content, and its exams come one by one with all their problems.

======================================  ==================================================================
capture record                          JSON: one, an array of them, one a line (NDJSON); the long CSV
any other table                         CSV, TSV, XLSX, through a column plan
FHIR R4                                 JSON, NDJSON, XML: bundles of ours, QuestionnaireResponses to our forms,
                                        and resources that stand alone, as a Bulk Data export has them
HL7 v2.5.1                              ORU^R01 in ER7, one message or several in a file
======================================  ==================================================================

Each may be packed with gzip. Bundles that a server gave are given as they are (a ``dict``). What only some forms need
is imported where it is used.
"""

from __future__ import annotations

import gzip
import io
import re
import zlib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from adapter.catalogue import Catalogue
from adapter.fhir.json import FhirJsonError, Json, dumps, loads
from adapter.read.files import HEAD, MOST_BYTES, Rest, decoded, one_a_line, refused, unpacked
from adapter.read.graph import Entry, alone, entries_of
from adapter.read.json_reader import is_fhir, read_json
from adapter.read.places import Place
from adapter.read.reading import Reading

if TYPE_CHECKING:
    from adapter.read.plan.model import Plan

Source = Path | BinaryIO | Mapping[str, Any]
"""A file, a folder (the files in it, by name), an open binary stream, or a FHIR resource in the shape of its JSON."""

_LINES = (".ndjson", ".jsonl")
_TABLES = (".csv", ".tsv", ".tab")
_MESSAGE = re.compile(rb"[\x0b\s]*(MSH|FHS|BHS)[^A-Za-z0-9\s]")
_NO_EXAM = "the resources of an exam that this adapter wrote, its DiagnosticReport among them"


def read(
    sources: Source | Iterable[Source], catalogue: Catalogue, plan: Plan | None = None, *, name: str = ""
) -> Iterator[Reading]:
    """Every exam of the inputs, in order, each with all its problems; never raises for what an input holds.

    ``plan`` is given where the inputs are tables of any other form. ``name`` is what problems call an open stream or
    a resource. Resources that stand alone are gathered from all inputs, since an exam lies spread over them, and held
    in memory; their exams come last.
    """
    reader = Reader(catalogue, plan)
    for source in _each(sources):
        yield from reader.read(source, name)
    yield from reader.rest()


def _each(sources: Source | Iterable[Source]) -> Iterator[Source]:
    if isinstance(sources, Path | Mapping) or hasattr(sources, "read"):
        each: Iterable[Source] = [cast(Source, sources)]
    else:
        each = sources
    for source in each:
        if isinstance(source, Path) and source.is_dir():
            yield from files_in(source)
        else:
            yield source


def files_in(folder: Path) -> list[Path]:
    """The files of a folder in the order of their names, those that begin with a dot left out."""
    return sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))


class Reader:
    """Reads inputs one by one, and keeps what stands alone until the end."""

    def __init__(self, catalogue: Catalogue, plan: Plan | None = None) -> None:
        self._catalogue, self._plan = catalogue, plan
        self._alone: list[Entry] = []

    def read(self, source: Source, name: str = "") -> Iterator[Reading]:
        """The exams of one input."""
        if isinstance(source, Mapping):
            yield from self._fhir(dict(source), name or "the resource")
        elif isinstance(source, Path):
            yield from self._file(source, name or str(source))
        elif self._plan is not None:
            what = "a table that comes through a plan is read from a file"
            yield refused(name or "standard input", "not-a-file", what, "the name of the file")
        else:
            yield from self._stream(source, name or "standard input")

    def line(self, data: bytes, name: str, number: int) -> Iterator[Reading]:
        """The exam of one line of NDJSON, or why there is none; nothing for a blank line. Lines count from 1."""
        text = decoded(data, name, number)
        if isinstance(text, Reading):
            yield text
        elif text.strip():
            yield from self._json(text, name, number)

    def rest(self) -> Iterator[Reading]:
        """The exams of all that stood alone."""
        if not self._alone:
            return
        from adapter.read.bundle import read_entries

        found = False
        for reading in read_entries(self._alone, self._catalogue, "the resources that stand alone"):
            found = True
            yield reading
        if not found:
            kinds = ", ".join(sorted({entry.type for entry in self._alone})[:5])
            place = self._alone[0].locate("")
            what = f"holds no exam of ours, but resources that stand alone ({kinds})"
            yield Reading(None, (Place("", None, place.file).error("no-exam", what, _NO_EXAM),), place.file)
        self._alone = []

    def _file(self, path: Path, name: str) -> Iterator[Reading]:
        try:
            if self._plan is not None:
                from adapter.read.plan.read import read_table

                yield from read_table(path, self._plan, self._catalogue)
                return
            with path.open("rb") as stream:
                yield from self._stream(stream, name)
        except OSError as error:
            what = f"cannot be read: {error.strerror or error}"
            yield refused(name, "cannot-read", what, "a file that exists and may be read")

    def _stream(self, stream: BinaryIO, name: str) -> Iterator[Reading]:
        try:
            yield from self._content(unpacked(stream), name)
        except (gzip.BadGzipFile, zlib.error, EOFError):
            what = "is a gzip file that is damaged or cut off"
            yield refused(name, "cannot-read", what, "the whole file, packed anew")

    def _content(self, stream: BinaryIO, name: str) -> Iterator[Reading]:
        head = stream.read(HEAD)
        text_head = head.decode("utf-8-sig", errors="ignore").lstrip()
        ending = Path(name.removesuffix(".gz")).suffix.lower()
        if not text_head and not head.strip():
            yield refused(name, "empty-file", "is empty", "a capture record, a FHIR bundle, a table or a message")
        elif _is_manifest(name, text_head):
            return
        elif ending in _LINES or (ending not in _TABLES and one_a_line(text_head)):
            yield from self._lines(Rest(head, stream), name)
        else:
            data = head + stream.read(max(0, MOST_BYTES + 1 - len(head)))
            yield from self._document(data, text_head, ending, name)

    def _document(self, data: bytes, head: str, ending: str, name: str) -> Iterator[Reading]:
        if _MESSAGE.match(data) and len(data) <= MOST_BYTES:
            from adapter.read.oru import read_oru

            yield from read_oru(data, self._catalogue, name)
        elif head.startswith("<") and len(data) <= MOST_BYTES:
            yield from self._xml(data, name)
        else:
            text = decoded(data, name)
            if isinstance(text, Reading):
                yield text
            elif (ending not in _TABLES and text.lstrip()[:1] in ("{", "[")) or ending == ".json":
                yield from self._json(text, name)
            else:
                from adapter.read.csv_reader import read_csv

                yield from read_csv(text, self._catalogue, name)

    def _lines(self, stream: io.RawIOBase, name: str) -> Iterator[Reading]:
        lines = io.BufferedReader(stream, HEAD)
        number = 0
        while line := lines.readline(MOST_BYTES + 1):
            number += 1
            yield from self.line(line, name, number)
            if len(line) > MOST_BYTES:
                return

    def _json(self, text: str, name: str, line: int | None = None) -> Iterator[Reading]:
        if not is_fhir(text):
            yield from read_json(text, self._catalogue, name, line)
            return
        source = f"{name}, line {line}" if line else name
        try:
            value = loads(text)
        except FhirJsonError as error:
            place = Place("", line or error.line, name)
            yield Reading(None, (place.error("not-fhir", str(error), "FHIR R4 in JSON"),), source)
            return
        resources = value if isinstance(value, list) else [value]
        for number, resource in enumerate(resources, start=1):
            at = f"{source}, resource {number}" if isinstance(value, list) else source
            whole = text if resource is value else None
            yield from self._fhir(resource, at, file=name, text=whole, line=line)

    def _xml(self, data: bytes, name: str) -> Iterator[Reading]:
        from adapter.fhir.xml import FhirXmlError, from_xml

        try:
            resource = from_xml(data)
        except FhirXmlError as error:
            place = Place(error.where, error.line, name)
            yield Reading(None, (place.error("not-fhir", str(error), "FHIR R4 in XML"),), name)
        else:
            yield from self._fhir(resource, name, file=name, text=data)

    def _fhir(
        self, resource: Json, source: str, *, file: str = "", text: str | bytes | None = None, line: int | None = None
    ) -> Iterator[Reading]:
        """The exams of a resource; one that stands alone is kept for the end."""
        kind = resource.get("resourceType") if isinstance(resource, dict) else None
        if kind == "QuestionnaireResponse":
            yield from read_json(dumps(resource).decode(), self._catalogue, file or source, line)
        elif kind == "Bundle":
            from adapter.read.bundle import read_entries

            found = False
            for reading in read_entries(entries_of(resource, file, text, line), self._catalogue, source):
                found = True
                yield reading
            if not found:
                place = Place("", line, file or source)
                what = "holds no exam of ours"
                yield Reading(
                    None, (place.error("no-exam", what, "a bundle of an exam, written at this site"),), source
                )
        elif isinstance(kind, str):
            self._alone.append(alone(resource, file or source, line))
        else:
            place = Place("", line, file or source)
            problem = place.error("not-fhir", "is JSON, but no FHIR resource", "an object with resourceType")
            yield Reading(None, (problem,), source)


def _is_manifest(name: str, head: str) -> bool:
    """Whether a file is that which a Bulk Data export has beside its NDJSON."""
    return Path(name).name.startswith("manifest") and '"transactionTime"' in head
