"""The exams of a piece: a capture record or a bundle on a line, rows of a table, a file of any form."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.fhir.json import FhirJsonError, loads
from adapter.fhir.xml import FhirXmlError, from_xml
from adapter.read import Reading, read_captures
from adapter.read.csv_reader import read_csv
from adapter.read.files import MOST_BYTES, read_line, unpacked
from adapter.read.places import Place
from adapter.read.plan import Plan, load_plan, read_piece, read_table
from adapter.read.sources import readings_of as of_bundle
from adapter.run.inputs import Cut
from adapter.run.pieces import Piece, PieceKind
from adapter.run.rows import Rows
from adapter.run.work import NotPossible

_HEAD = 4096
_RESPONSE = b'"QuestionnaireResponse"'


def plan_of(path: Path | None, catalogue: Catalogue) -> Plan | None:
    """The column plan in a file. Raises :class:`NotPossible` where it cannot be used."""
    if path is None:
        return None
    plan, problems = load_plan(path, catalogue)
    if plan is None:
        raise NotPossible("the plan cannot be used: " + "; ".join(map(str, problems)))
    return plan


def cut_for(catalogue: Catalogue, plan: Path | None) -> Cut:
    """How inputs are cut of which exams are read."""
    loaded = plan_of(plan, catalogue)
    return Cut(Rows(), catalogue.identifier_system("exam")) if loaded is None else Cut(Rows.of_plan(loaded))


def readings_of(piece: Piece, catalogue: Catalogue, plan: Plan | None = None) -> Iterator[Reading]:
    """Every exam of a piece, each with its problems."""
    if piece.kind is PieceKind.ROWS:
        text = piece.data.decode()
        if plan is not None:
            yield from read_piece(text, plan, catalogue, name=piece.file, first_row=piece.at)
        else:
            yield from read_csv(text, catalogue, piece.file, piece.at)
    elif piece.kind is PieceKind.FILE and plan is not None:
        yield from read_table(piece.path, plan, catalogue, name=piece.file)
    elif piece.kind is PieceKind.FILE:
        yield from _of_file(piece, catalogue)
    elif _is_fhir(piece.data[:_HEAD]):
        yield from _of_fhir(piece, piece.data, catalogue)
    else:
        yield from read_line(piece.data, catalogue, piece.file, piece.at)


def _is_fhir(head: bytes) -> bool:
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    return text.startswith(b"<") or (b'"resourceType"' in text and _RESPONSE not in text)


def _of_file(piece: Piece, catalogue: Catalogue) -> Iterator[Reading]:
    data = b""
    try:
        with piece.path.open("rb") as file:
            stream = unpacked(file)
            head = stream.read(_HEAD)
            if piece.path.name.startswith("manifest") and b'"transactionTime"' in head:
                return  # of Bulk Data: it lists the files beside it
            if _is_fhir(head):
                data = head + stream.read(MOST_BYTES + 1)
    except (OSError, EOFError, zlib.error):
        data = b""  # the reader of captures says what it is
    if data:
        yield from _of_fhir(piece, data, catalogue)
    else:
        yield from read_captures(piece.path, catalogue, name=piece.file)


def _of_fhir(piece: Piece, data: bytes, catalogue: Catalogue) -> Iterator[Reading]:
    line = piece.at if piece.kind is PieceKind.LINE else None
    name = f"{piece.file}, line {line}" if line else piece.file
    place = Place("", line, piece.file)
    if len(data) > MOST_BYTES:
        what = f"is larger than {MOST_BYTES // 1024 // 1024} MB"
        yield Reading(None, (place.error("too-large", what, "NDJSON, one bundle a line"),), name)
        return
    try:
        resource = from_xml(data) if data.lstrip().startswith(b"<") else loads(data)
    except (FhirJsonError, FhirXmlError) as error:
        yield Reading(None, (place.error("not-fhir", str(error), "FHIR R4 in JSON, NDJSON or XML"),), name)
        return
    if isinstance(resource, dict) and resource.get("resourceType") == "Bundle":
        yield from of_bundle(resource, catalogue, name)
    else:
        what, remedy = "a resource that stands alone", "a Bundle, or all files of a Bulk Data export"
        yield Reading(None, (place.error("not-a-bundle", what, remedy),), name)
