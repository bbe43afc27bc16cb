"""Any table through a plan: exams, each with its problems, and which columns were left unread."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.problems import Problem
from adapter.read.files import MOST_CELLS
from adapter.read.places import CellPlaces, Place
from adapter.read.plan.build import build
from adapter.read.plan.model import Plan
from adapter.read.plan.table import Row, SourceTable, header_of, open_table, piece_of_table
from adapter.read.reading import Reading
from adapter.read.record import RawRecord, read_record
from adapter.read.wording import one_of, shown


def read_table(source: Path | bytes, plan: Plan, catalogue: Catalogue, *, name: str = "") -> Iterator[Reading]:
    """Every exam of a table, in the order of its first row; a row that cannot be read is a reading of its own.

    ``source`` is the file, or what is in it.

    Without a key each row is an exam and rows are read one by one; with a key the table is held in memory.
    """
    name = name or (str(source) if isinstance(source, Path) else "standard input")
    yield from _readings(open_table(source, plan.table, name), plan, catalogue, name)


def read_piece(text: str, plan: Plan, catalogue: Catalogue, *, name: str, first_row: int) -> Iterator[Reading]:
    """Every exam of a piece of a text table: the header, then rows of which the first has this number.

    Where the plan has a key, all rows of an exam must stand in the same piece.
    """
    yield from _readings(piece_of_table(text, plan.table, name, first_row), plan, catalogue, name)


def _readings(table: SourceTable | Problem, plan: Plan, catalogue: Catalogue, name: str) -> Iterator[Reading]:
    if isinstance(table, Problem):
        yield Reading(None, (table,), name)
        return
    absent = [column for column in plan.columns() if column not in table.columns]
    if absent:
        place = Place(f"row {table.header}", None, name)
        problems = [
            place.error(
                "no-column", f"the plan reads a column {shown(c)}, which is not there", one_of(c, table.columns, 30)
            )
            for c in absent
        ]
        yield Reading(None, tuple(problems), name)
        return
    for group in _groups(table, plan, name):
        yield Reading(None, (group,), name) if isinstance(group, Problem) else _exam(group, plan, catalogue, name)


def unread_columns(path: Path, plan: Plan) -> tuple[str, ...]:
    """The columns of a table that the plan neither reads nor names as unread, in their order; none of a table that
    cannot be read."""
    table = header_of(path, plan.table)
    if isinstance(table, Problem):
        return ()
    read = (*plan.columns(), *plan.unread)
    return tuple(column for column in table.columns if column and column not in read)


def _groups(table: SourceTable, plan: Plan, name: str) -> Iterator[list[Row] | Problem]:
    groups: dict[tuple[str, ...], list[Row]] = {}
    read, room = plan.columns(), MOST_CELLS
    for row in table.rows:
        if isinstance(row, Problem):
            yield row
        elif not plan.key:
            yield [row]
        elif (room := room - len(read)) < 0:
            what, remedy = (
                f"more than {MOST_CELLS} cells that the plan reads",
                "several smaller tables, each exam in one",
            )
            yield Place(f"row {row[0]}", None, name).error("too-large", what, remedy)
            break
        else:
            number, cells = row
            key = tuple(cells[column] for column in plan.key)
            groups.setdefault(key, []).append((number, {column: cells[column] for column in read}))
    yield from groups.values()


def _exam(rows: list[Row], plan: Plan, catalogue: Catalogue, name: str) -> Reading:
    places = CellPlaces(name, rows[0][0])
    whole, problems = _whole(rows, plan, places)
    data = build(plan, rows, whole, places)
    last = f" to {rows[-1][0]}" if len(rows) > 1 else ""
    source = f"{name}, row{'s' if last else ''} {rows[0][0]}{last}"
    return read_record(RawRecord(data, places, source, tuple(problems)), catalogue)


def _whole(rows: list[Row], plan: Plan, places: CellPlaces) -> tuple[dict[str, str], list[Problem]]:
    """The cells of the exam's own columns: the first that are not missing, the same in all rows."""
    whole = dict(rows[0][1])
    problems: list[Problem] = []
    own = plan.model_copy(update={"findings": ()}).columns() if len(rows) > 1 else ()
    for column in own:
        told = [(n, cells[column]) for n, cells in rows if cells[column] and cells[column] not in plan.missing]
        for number, text in told:
            if text != told[0][1]:
                what = f"{column} is another in row {number} than in row {told[0][0]} of the same exam"
                remedy = "the same in both rows, or a key in the plan that tells the exams apart"
                problems.append(places.cell(number, column).error("rows-disagree", what, remedy))
                break
        if told:
            whole[column] = told[0][1]
    return whole, problems
