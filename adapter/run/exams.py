"""The exams of a unit: a capture record or a bundle on a line, rows of a table, a file of any form."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.fhir.json import FhirJsonError, loads
from adapter.read import Reading, read_captures
from adapter.read.csv_reader import read_csv
from adapter.read.files import MOST_BYTES, unpacked
from adapter.read.inputs import Reader
from adapter.read.places import Place
from adapter.read.plan import Plan, read_piece, read_table
from adapter.read.sources import read_exams
from adapter.read.sources import readings_of as of_bundle
from adapter.run.chunks import Form, Unit
from adapter.run.rows import Rows

_HEAD = 4096


def rows_of_plan(plan: Plan) -> Rows:
    """How tables are cut that are read through a plan."""
    encoding = "utf-8-sig" if plan.table.encoding == "utf-8" else plan.table.encoding
    return Rows(tuple(plan.key), encoding, plan.table.delimiter, (",", ";", "\t", "|"), every=True)


def exams_of(unit: Unit, catalogue: Catalogue, plan: Plan | None = None) -> Iterator[Reading]:
    """The same, and the exams of FHIR bundles that this adapter wrote."""
    if plan is None and unit.form is Form.FILE:
        yield from read_exams([Path(unit.file)], catalogue)
    elif unit.form is Form.LINE and b'"resourceType"' in unit.data[:_HEAD]:
        yield from _of_bundle(unit, catalogue)
    else:
        yield from readings_of(unit, catalogue, plan)


def holds_loose(path: Path) -> bool:
    """Whether a file begins with a FHIR resource that stands alone, as in a Bulk Data export."""
    try:
        with path.open("rb") as file:
            first = unpacked(file).readline(MOST_BYTES)
    except (OSError, EOFError, zlib.error):
        return False
    head = first[:_HEAD].lstrip()
    return head.startswith(b"{") and b'"resourceType"' in head and b'"Bundle"' not in head


def _of_bundle(unit: Unit, catalogue: Catalogue) -> Iterator[Reading]:
    name = f"{unit.file}, line {unit.at}"
    place = Place("", unit.at, unit.file)
    try:
        resource = loads(unit.data)
    except FhirJsonError as error:
        yield Reading(None, (place.error("not-fhir", str(error), "a FHIR R4 bundle in JSON"),), name)
        return
    if isinstance(resource, dict) and resource.get("resourceType") == "Bundle":
        yield from of_bundle(resource, catalogue, name)
    else:
        what, remedy = "a resource that stands alone", "bundles; or all files of a Bulk Data export, without --jobs"
        yield Reading(None, (place.error("not-a-bundle", what, remedy),), name)


def readings_of(unit: Unit, catalogue: Catalogue, plan: Plan | None = None) -> Iterator[Reading]:
    """Every exam of a unit, each with its problems."""
    if unit.form is Form.LINE:
        yield from Reader(catalogue).line(unit.data, unit.file, unit.at)
    elif unit.form is Form.FILE and plan is not None:
        yield from read_table(Path(unit.file), plan, catalogue)
    elif unit.form is Form.FILE:
        yield from read_captures(Path(unit.file), catalogue)
    elif plan is not None:
        yield from read_piece(unit.data.decode(), plan, catalogue, name=unit.file, first_row=unit.at)
    else:
        yield from read_csv(unit.data.decode(), catalogue, unit.file, unit.at)
