"""Resources that stand alone, one a line or a file, as a Bulk Data export has them: gathered to exams.

An exam lies spread over all files of an export, so it is known only when the last was read. Until then the resources
are in a temporary file of SQLite; memory holds those of one exam.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Any

from adapter.fhir.json import FhirJsonError, Json, dumps, loads
from adapter.problems import AdapterError, Layer, Problem, Severity
from adapter.read.files import MOST_BYTES
from adapter.read.graph import deleted_by, objects
from adapter.run.pieces import Piece, PieceKind

NAME = "resources that stand alone"
"""What problems call the exams that were gathered."""
DELETED = "deleted on the server"
"""What is remarked of an exam that came and was then said to be deleted."""

_TYPE = re.compile(rb'\{\s*"resourceType"\s*:\s*"(\w+)"')
_ROOT = re.compile(rb"<(?:\w+:)?([A-Z]\w*)[\s>]")
_WHOLE = ("Bundle", "QuestionnaireResponse")
_TABLES = """
create table resource (place integer primary key, key text unique, content blob, file text, line integer);
create table points (target text, source text);
create index by_target on points (target);
create table gone (key text unique, file text, at integer);
"""


def stands_alone(head: bytes, whole: Callable[[], bytes]) -> bool:
    """Whether a document is a FHIR resource that is only a part of an exam, or says which were deleted.

    ``head`` is its beginning, ``whole`` gives all of it, which is only asked for where its own type does not come
    first (it may hold others that do).
    """
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"<"):
        found = _ROOT.search(text)
    elif text.startswith(b"{"):
        found = _TYPE.match(text)
        if found is None:
            return _type_of(whole()) not in ("", *_WHOLE)
    else:
        return False
    if found is not None and found[1] == b"Bundle" and b'"DELETE"' in head:
        return deleted_by(_read(whole())) is not None
    return found is not None and found[1].decode() not in _WHOLE


def _type_of(data: bytes) -> str:
    """The type of a resource in JSON; empty for what is none."""
    resource = _read(data) if b'"resourceType"' in data else None
    found = resource.get("resourceType") if isinstance(resource, dict) else None
    return found if isinstance(found, str) else ""


def _read(data: bytes) -> Any:
    try:
        return loads(data.removeprefix(b"\xef\xbb\xbf"))
    except FhirJsonError:
        return None


class LooseResources:
    """Resources by their ``Type/id``; ``exam_system`` is the system in which our exams have their identifiers."""

    def __init__(self, exam_system: str) -> None:
        self._system = exam_system
        self._base: sqlite3.Connection | None = None

    def __enter__(self) -> LooseResources:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._base is not None:
            self._base.close()

    def add(self, piece: Piece, data: bytes) -> Iterator[Piece]:
        """Put by a resource; what is none is given back as a piece with the fault."""
        if len(data) > MOST_BYTES:
            yield _refused(
                piece, "too-large", f"is larger than {MOST_BYTES // 1024 // 1024} MB", "one resource a line"
            )
            return
        try:
            resource = _resource(data)
        except AdapterError as error:
            yield _refused(piece, "not-fhir", str(error), "FHIR R4 in JSON, NDJSON or XML")
            return
        if (gone := deleted_by(resource)) is not None:
            self._delete(gone, piece)
            return
        named = isinstance(resource, dict) and isinstance(resource.get("id"), str)
        if not named or not isinstance(resource.get("resourceType"), str):
            yield _refused(piece, "not-fhir", "a resource without an id", "resources as a FHIR server gives them")
            return
        self._put(resource, piece)

    def _delete(self, names: list[str], piece: Piece) -> None:
        """Forget what came before and was deleted on the server; of the exams that go with it a note is kept."""
        base = self._opened()
        for (name,) in self._rows("select key from resource where key = ?", names):
            if self._is_exam(self._found([name])[0].resource):
                base.execute("insert or replace into gone values (?, ?, ?)", (name, piece.file, piece.at))
        base.executemany("delete from resource where key = ?", [(name,) for name in names])

    def _is_exam(self, resource: Json) -> bool:
        ours = any(one.get("system") == self._system for one in objects(resource.get("identifier")))
        return ours and resource["resourceType"] == "DiagnosticReport"

    def _opened(self) -> sqlite3.Connection:
        if self._base is None:
            self._base = sqlite3.connect("")
            self._base.executescript(_TABLES)
        return self._base

    def _put(self, resource: Json, piece: Piece) -> None:
        base = self._opened()
        key = f"{resource['resourceType']}/{resource['id']}"
        line = piece.at if piece.kind is PieceKind.LINE else None
        base.execute(_PUT, (key, dumps(resource), piece.file, line))
        base.execute("delete from gone where key = ?", (key,))
        pointing = {
            "Provenance": resource.get("target"),
            "RelatedPerson": resource.get("patient"),
            "Communication": resource.get("about"),
        }
        targets = _references(pointing.get(resource["resourceType"]))
        base.executemany("insert into points values (?, ?)", [(target, key) for target in targets])

    def exams(self) -> Iterator[Piece]:
        """A collection Bundle for each exam of ours, in the order of their DiagnosticReports; then those that were
        deleted, as left out. A fault if there is none of either."""
        if self._base is None:
            return
        count = 0
        reports = "select content from resource where key like 'DiagnosticReport/%' order by place"
        for (content,) in self._base.execute(reports):
            report = loads(content)
            if self._is_exam(report):
                count += 1
                found = self._around(report)
                entries = [{"fullUrl": one.key, "resource": one.resource} for one in found]
                bundle = dumps({"resourceType": "Bundle", "type": "collection", "entry": entries})
                places = tuple((one.file, one.line) for one in found)
                yield Piece(PieceKind.GATHERED, NAME, count, bundle + b"\n", places=places)
        for file, at in self._base.execute("select file, at from gone order by rowid"):
            count += 1
            yield Piece(PieceKind.GATHERED, file, at, left_out=DELETED)
        if not count:
            what, remedy = "they hold no exam of ours", "all files of the export, DiagnosticReport.ndjson among them"
            yield _refused(Piece(PieceKind.FILE, NAME, state="0"), "no-exam", what, remedy)

    def _around(self, report: Json) -> list[_Found]:
        """All that is of one exam, in the order given: findings are read in the order of their Observations."""
        key = f"DiagnosticReport/{report['id']}"
        subjects, panels = _references(report.get("subject")), _references(report.get("result"))
        members = [name for panel in self._found(panels) for name in _references(panel.resource.get("hasMember"))]
        about = [name for name in self._pointing([key]) if name.startswith(("Provenance/", "Communication/"))]
        relatives = [name for name in self._pointing(subjects) if name.startswith("RelatedPerson/")]
        agents = [agent for one in self._found(about) for agent in objects(one.resource.get("agent"))]
        people = [name for agent in agents for name in _references(agent.get("who"))]
        told = [one.resource for one in self._found(about)]
        people += [name for one in told for key in ("sender", "recipient") for name in _references(one.get(key))]
        around = [*_references(report.get("encounter")), *_references(report.get("performer")), *people]
        wanted = {key, *subjects, *panels, *members, *about, *relatives, *around}
        return self._found(wanted)

    def _found(self, names: Iterable[str]) -> list[_Found]:
        """Those of the resources that are there, in the order given."""
        return [
            _Found(key, loads(content), file, line)
            for _, key, content, file, line in sorted(self._rows(_BY_KEY, names))
        ]

    def _pointing(self, names: Iterable[str]) -> list[str]:
        return [source for (source,) in self._rows(_BY_TARGET, names)]

    def _rows(self, query: str, names: Iterable[str]) -> list[Any]:
        assert self._base is not None
        return [row for name in names for row in self._base.execute(query, (name,))]


@dataclass(frozen=True, slots=True)
class _Found:
    """A resource, and where it came from."""

    key: str
    resource: Json
    file: str
    line: int | None


_PUT = """
insert into resource (key, content, file, line) values (?, ?, ?, ?)
on conflict (key) do update set content = excluded.content, file = excluded.file, line = excluded.line
"""
_BY_KEY = "select place, key, content, file, line from resource where key = ?"
_BY_TARGET = "select source from points where target = ?"


def _references(found: Any) -> list[str]:
    """Where a reference, or each of a list of them, leads to."""
    return [
        str(one["reference"]) for one in objects(found if isinstance(found, list) else [found]) if "reference" in one
    ]


def _resource(data: bytes) -> Any:
    """What JSON or XML holds. Raises FhirJsonError or FhirXmlError."""
    if not data.lstrip().startswith(b"<"):
        return loads(data)
    from adapter.fhir.xml import from_xml  # here: exports are NDJSON

    return from_xml(data)


def _refused(piece: Piece, rule: str, what: str, remedy: str) -> Piece:
    line = piece.at if piece.kind is PieceKind.LINE else None
    problem = Problem(Severity.ERROR, Layer.CAPTURE, rule, what, remedy, file=piece.file, line=line)
    return replace(piece, fault=problem)
