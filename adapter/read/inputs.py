"""One way in: whatever an input is, it is told by its content, and its exams come one by one with all their problems.

======================================  ==================================================================
capture record                          JSON: one, an array of them, one a line (NDJSON); the long CSV
any other table                         CSV, TSV, XLSX, through a column plan
FHIR R4                                 JSON, NDJSON, XML: bundles of ours, QuestionnaireResponses to our forms,
                                        and resources that stand alone, as a Bulk Data export has them
HL7 v2.5.1                              ORU^R01 in ER7, one message or several in a file
======================================  ==================================================================

Each may be packed with gzip. What a server gave is given as it is: bundles or resources, each a ``dict``, the pages
of a search among them. What only some forms need is imported where it is used.
"""

from __future__ import annotations

import gzip
import io
import re
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO, cast

from adapter.catalogue import Catalogue
from adapter.read.files import MOST_BYTES, Rest, decoded, is_crowded, refused, too_large, too_many, unpacked
from adapter.read.graph import BundleEntry, Origin, alone, entries_of, objects
from adapter.read.json_reader import read_json
from adapter.read.places import Place, PlaceOf
from adapter.read.reading import Reading
from adapter.read.sniff import RIGHT, Kind, beginning, kind_of, what_it_is
from adapter.read.wording import listed

if TYPE_CHECKING:
    from adapter.fhir.json import Json
    from adapter.read.plan.model import Plan

Source = Path | BinaryIO | Mapping[str, Any]
"""A file, a folder (the files in it, by name), an open binary stream, or a FHIR resource in the shape of its JSON."""

_PIECE = 1 << 20
_TYPE = re.compile(r'"resourceType"\s*:\s*"([A-Z]\w*)"')
_RESPONSE = "QuestionnaireResponse"
_AROUND = {
    "Patient",
    "RelatedPerson",
    "Practitioner",
    "Organization",
    "Encounter",
    "Questionnaire",
    "OperationOutcome",
}
"""What may come with the response to a form, and is not read."""
_MOST_ALONE = 256 * 1024 * 1024
_OUR_EXAM = "the resources of an exam that this adapter wrote at this site, its DiagnosticReport among them"


def read(
    sources: Source | Iterable[Source], catalogue: Catalogue, plan: Plan | None = None, *, name: str = ""
) -> Iterator[Reading]:
    """Every exam of the inputs, in order, each with all its problems; never raises for what an input holds.

    ``plan`` says what the columns of those tables mean that are not the long CSV. ``name`` is what problems call an
    open stream or a resource. Resources that stand alone, and those of the pages of a search, are gathered from all
    inputs, since an exam lies spread over them, and held in memory; their exams come last.
    """
    reader = Reader(catalogue, plan)
    alone = isinstance(sources, Path | Mapping) or hasattr(sources, "read")
    for source in [cast(Source, sources)] if alone else cast("Iterable[Source]", sources):
        yield from reader.read(source, name)
    yield from reader.rest()


def files_in(folder: Path) -> list[Path]:
    """The files of a folder in the order of their names, those that begin with a dot left out."""
    return sorted(path for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))


class Reader:
    """Reads inputs one by one, and keeps what stands alone until the end."""

    def __init__(self, catalogue: Catalogue, plan: Plan | None = None) -> None:
        self._catalogue, self._plan = catalogue, plan
        self._alone: dict[str, BundleEntry] = {}
        self._size = 0

    def read(self, source: Source, name: str = "") -> Iterator[Reading]:
        """The exams of one input."""
        if isinstance(source, Mapping):
            yield from self._fhir(dict(source), Origin(name or "the resource"), name or "the resource")
        elif not isinstance(source, Path):
            yield from self._stream(source, name or "standard input")
        elif source.is_dir():
            yield from self._folder(source)
        else:
            yield from self._file(source, name or str(source))

    def line(self, data: bytes, name: str, number: int) -> Iterator[Reading]:
        """The exam of one line of NDJSON, or why there is none; nothing for a blank line. Lines count from 1."""
        text = decoded(data, name, number)
        if isinstance(text, Reading):
            yield text
        elif text.strip():
            yield from self._json(text, name, number)

    def rest(self) -> Iterator[Reading]:
        """The exams of all that stood alone."""
        entries, self._alone, self._size = list(self._alone.values()), {}, 0
        if entries:
            from adapter.read.bundle import read_entries

            yield from _or_no_exam(
                read_entries(entries, self._catalogue, "the resources that stand alone"),
                entries,
                Place("", None, entries[0].locate("").file),
            )

    def _folder(self, folder: Path) -> Iterator[Reading]:
        try:
            files = files_in(folder)
        except OSError as error:
            yield _unreadable(str(folder), error)
            return
        for path in files:
            yield from self._file(path, str(path))

    def _file(self, path: Path, name: str) -> Iterator[Reading]:
        try:
            with path.open("rb") as stream:
                yield from self._stream(stream, name)
        except OSError as error:
            yield _unreadable(name, error)

    def _stream(self, stream: BinaryIO, name: str) -> Iterator[Reading]:
        try:
            yield from self._content(unpacked(stream), name)
        except (gzip.BadGzipFile, zlib.error, EOFError):
            what = "is a gzip file that is damaged or cut off"
            yield refused(name, "cannot-read", what, "the whole file, packed anew")

    def _content(self, stream: BinaryIO, name: str) -> Iterator[Reading]:
        head = beginning(stream)
        kind = kind_of(head, Path(name.removesuffix(".gz")).suffix.lower())
        if kind is Kind.EMPTY:
            yield refused(name, "empty-file", "is empty", RIGHT)
        elif kind is Kind.LINES:
            yield from self._lines(Rest(head, stream), name)
        elif kind is not Kind.MANIFEST:
            data = head + stream.read(max(0, MOST_BYTES + 1 - len(head)))
            if len(data) > MOST_BYTES:
                yield too_large(name)
            else:
                yield from self._document(data, kind, name)

    def _document(self, data: bytes, kind: Kind, name: str) -> Iterator[Reading]:
        if kind is Kind.MESSAGE:
            from adapter.read.oru import read_oru

            yield from (
                [too_many(name)] if is_crowded(data, "|", "\r", "\n") else read_oru(data, self._catalogue, name)
            )
        elif kind is Kind.XML:
            yield from [too_many(name)] if is_crowded(data, "<") else self._xml(data, name)
        elif kind is Kind.JSON:
            text = decoded(data, name)
            yield from [text] if isinstance(text, Reading) else self._json(text, name)
        else:
            yield from self._table(data, kind, name)

    def _table(self, data: bytes, kind: Kind, name: str) -> Iterator[Reading]:
        if self._plan is not None:
            from adapter.read.plan.read import read_table

            yield from read_table(data, self._plan, self._catalogue, name=name)
        elif kind is Kind.CAPTURE_TABLE:
            from adapter.read.csv_reader import read_csv

            text = decoded(data, name)
            yield from [text] if isinstance(text, Reading) else read_csv(text, self._catalogue, name)
        else:
            what, remedy = what_it_is(data, kind)
            yield refused(name, "unknown-form", what, remedy)

    def _lines(self, stream: io.RawIOBase, name: str) -> Iterator[Reading]:
        lines = io.BufferedReader(stream, _PIECE)
        number = 0
        while line := lines.readline(MOST_BYTES + 1):
            number += 1
            yield from self.line(line, name, number)
            while len(line) > MOST_BYTES and (more := lines.readline(_PIECE)) and not more.endswith(b"\n"):
                pass

    def _json(self, text: str, name: str, line: int | None = None) -> Iterator[Reading]:
        """A document of any kind, or an array of them."""
        if is_crowded(text, ",", "[", "{"):
            yield too_many(name, line)
            return
        named = _TYPE.search(text)
        if named is None:
            yield from read_json(text, self._catalogue, name, line)
            return
        from adapter.fhir.json import FhirJsonError, loads

        source = f"{name}, line {line}" if line else name
        try:
            value = loads(text)
        except FhirJsonError as error:
            if text[: named.start()].strip(" \t\r\n{[") or named[1] == _RESPONSE:
                yield from read_json(text, self._catalogue, name, line)
            else:  # what is broken counts by its first key
                place = Place("", line or error.line, name)
                yield Reading(None, (place.error("not-fhir", str(error), "FHIR R4 in JSON"),), source)
            return
        if _is_fhir(value):
            yield from self._fhir(value, Origin(name, text, line), source)
        elif isinstance(value, list):

            def fhir(number: int) -> Iterator[Reading]:
                origin = Origin(name, text, line, f"[{number}] ")
                return self._fhir(value[number], origin, f"{source}, resource {number + 1}")

            among = {number for number, one in enumerate(value) if _is_fhir(one)}
            yield from read_json(text, self._catalogue, name, line, fhir=fhir if among else None, among=among)
        else:
            yield from read_json(text, self._catalogue, name, line)

    def _xml(self, data: bytes, name: str) -> Iterator[Reading]:
        from adapter.fhir.xml import FhirXmlError, from_xml

        try:
            resource = from_xml(data)
        except FhirXmlError as error:
            place = Place(error.where, error.line, name)
            yield Reading(None, (place.error("not-fhir", str(error), "FHIR R4 in XML"),), name)
        else:
            yield from self._fhir(resource, Origin(name, data), name)

    def _fhir(self, resource: Json, origin: Origin, source: str) -> Iterator[Reading]:
        """The exams of a resource; one that stands alone is kept for the end."""
        kind = resource.get("resourceType")
        if kind == "Bundle":
            yield from self._bundle(resource, origin, source)
        elif kind == _RESPONSE:
            yield from self._responses([alone(resource, origin)], source)
        elif isinstance(kind, str):
            yield from self._keep(alone(resource, origin), origin.size)
        else:
            problem = origin.whole.error("not-fhir", "is JSON, but no FHIR resource", "an object with resourceType")
            yield Reading(None, (problem,), source)

    def _bundle(self, bundle: Json, origin: Origin, source: str) -> Iterator[Reading]:
        from adapter.read.bundle import read_entries

        entries = entries_of(bundle, origin)
        responses = [entry for entry in entries if entry.type == _RESPONSE]
        others = [entry for entry in entries if entry.type != _RESPONSE]
        around = bool(responses) and {entry.type for entry in others} <= _AROUND
        if around:
            pass
        elif bundle.get("type") == "searchset" and others:
            for entry in others:
                yield from self._keep(entry, origin.size // len(others))
        elif others or not responses:
            exams = read_entries(others, self._catalogue, source)
            yield from exams if responses else _or_no_exam(exams, others, origin.whole, source, bundle)
        yield from self._responses(responses, source)

    def _responses(self, entries: list[BundleEntry], source: str) -> Iterator[Reading]:
        """The exams of answered forms that stand among other resources, or in XML."""
        if not entries:
            return
        from adapter.read.questionnaire import read_response

        for entry in entries:
            within = entry.locate("").where.removesuffix(_RESPONSE).rstrip()
            yield read_response(entry.resource, _elements(entry), source, self._catalogue, within)

    def _keep(self, entry: BundleEntry, size: int) -> Iterator[Reading]:
        """Put by what is a part of an exam, of one resource the last version; ``size`` is that of its text."""
        if self._size > _MOST_ALONE:
            return
        self._size += size
        if self._size > _MOST_ALONE:
            place = entry.locate("")
            what = f"more resources that stand alone than are held at once ({_MOST_ALONE // 1024 // 1024} MB)"
            yield Reading(
                None, (place.error("too-large", what, "the exams as bundles; or fewer at once"),), place.file
            )
        else:
            self._alone[entry.key or f"{len(self._alone)}"] = entry


def _is_fhir(value: Any) -> bool:
    """Whether it is a resource, but no QuestionnaireResponse, which is read like a capture record."""
    return (
        isinstance(value, dict) and isinstance(value.get("resourceType"), str) and value["resourceType"] != _RESPONSE
    )


def _elements(entry: BundleEntry) -> PlaceOf:
    """From a JSON pointer into a resource to the place of the element."""

    def place(at: str) -> Place:
        steps = (f"[{step}]" if step.isdigit() else f".{step}" for step in at.split("/")[1:])
        return entry.locate("".join(steps))

    return place


def _unreadable(name: str, error: OSError) -> Reading:
    what = f"cannot be read: {error.strerror or error}"
    return refused(name, "cannot-read", what, "a file that exists and may be read")


def _or_no_exam(
    exams: Iterator[Reading], entries: list[BundleEntry], place: Place, source: str = "", bundle: Json | None = None
) -> Iterator[Reading]:
    """The exams; or, where there is none, what there is instead."""
    found = False
    for reading in exams:
        found = True
        yield reading
    if found:
        return
    count = Counter(entry.type or "unnamed" for entry in entries)
    kinds = listed(f"{number} {kind}" for kind, number in count.most_common())
    if bundle is None:
        what = f"FHIR resources that by themselves are no exam: {kinds}" if len(entries) > 1 else ""
        what = what or f"a FHIR resource of type {entries[0].type}, which by itself is no exam"
    elif not entries:
        answer = any("response" in e for e in objects(bundle.get("entry")))
        what = "a FHIR Bundle that is the answer of a server" if answer else "a FHIR Bundle with no entries"
    else:
        what = f"a FHIR Bundle that holds no exam: {kinds}"
    if "DiagnosticReport" in count:
        what += "; the DiagnosticReport is none of this adapter's exams, at this site"
    yield Reading(None, (place.error("no-exam", what, _OUR_EXAM),), source or place.file)
