"""The exams of a unit: a capture record or a bundle on a line, rows of a table, a file of any form."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from adapter.bulk.chunks import Form, Unit
from adapter.bulk.rows import Rows
from adapter.capture import Reading, read_captures
from adapter.capture.csv_reader import read_csv
from adapter.capture.files import read_line
from adapter.capture.plan import Plan, read_piece, read_table
from adapter.catalogue import Catalogue


def rows_of_plan(plan: Plan) -> Rows:
    """How tables are cut that are read through a plan."""
    encoding = "utf-8-sig" if plan.table.encoding == "utf-8" else plan.table.encoding
    return Rows(tuple(plan.key), encoding, plan.table.delimiter, (",", ";", "\t", "|"), every=True)


def readings_of(unit: Unit, catalogue: Catalogue, plan: Plan | None = None) -> Iterator[Reading]:
    """Every exam of a unit, each with its problems."""
    if unit.form is Form.LINE:
        yield from read_line(unit.data, catalogue, unit.file, unit.at)
    elif unit.form is Form.FILE and plan is not None:
        yield from read_table(Path(unit.file), plan, catalogue)
    elif unit.form is Form.FILE:
        yield from read_captures(Path(unit.file), catalogue)
    elif plan is not None:
        yield from read_piece(unit.data.decode(), plan, catalogue, name=unit.file, first_row=unit.at)
    else:
        yield from read_csv(unit.data.decode(), catalogue, unit.file, unit.at)
