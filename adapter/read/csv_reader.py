"""Capture records in the long CSV: rows of one exam are found by exam_id, wherever they stand."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from adapter.catalogue import Catalogue
from adapter.problems import Problem
from adapter.read.csv_cells import read_value
from adapter.read.csv_columns import COLUMNS, EXAM_COLUMNS, REQUIRED, TELLING_COLUMNS
from adapter.read.files import MOST_CELLS, table_rows
from adapter.read.places import CellPlaces, Place, pointer, printable
from adapter.read.raw import Unreadable
from adapter.read.reading import Reading
from adapter.read.record import RawRecord, read_record
from adapter.read.wording import listed, near, shown

_DELIMITERS = (",", ";", "\t")
_MOST_TOLD = 40
_FINDING_TEXT = (
    "not_examined",
    "text",
    "side",
    "method",
    "site",
    "state",
    "counted_seconds",
    "observed_at",
    "urgency",
    "note",
)

Row = tuple[int, dict[str, str]]
"""A row's number, counted as a spreadsheet does (the header is row 1), and its cells that are not blank."""


@dataclass(slots=True)
class _Group:
    """The rows of one exam on their way to a record."""

    places: CellPlaces
    rows: list[Row] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)


def read_csv(text: str, catalogue: Catalogue, name: str, first_row: int = 2) -> Iterator[Reading]:
    """The exams of a capture CSV, in the order of their first rows.

    ``first_row`` is the number of the row after the header, where ``text`` is a piece of a longer table.
    """
    rows, problems = _rows(text, name, first_row)
    groups: dict[str, _Group] = {}
    lost: list[Problem] = problems
    for number, cells in rows:
        exam_id = cells.get("exam_id")
        if exam_id is None:
            what = "a row without exam_id"
            remedy = "the exam's id in every row, so that sorting the sheet never moves a finding to another infant"
            lost.append(Place(f"row {number}, column exam_id", None, name).error("exam-id-missing", what, remedy))
        else:
            groups.setdefault(exam_id, _Group(CellPlaces(name, number))).rows.append((number, cells))
    if lost:
        yield Reading(None, tuple(lost), name)
    for exam_id, group in groups.items():
        data = _record(group, catalogue)
        source = f"{name}, exam {printable(exam_id)}"
        raw = RawRecord(data, group.places, source, tuple(group.problems))
        yield read_record(raw, catalogue)


def _rows(text: str, name: str, first_row: int) -> tuple[list[Row], list[Problem]]:
    """All rows that are not blank, or the problems of the header."""
    place = Place("row 1", None, name)
    head = text.split("\n", 1)[0]
    delimiter = max(_DELIMITERS, key=head.count)
    reader = table_rows(text, delimiter)
    rows: list[Row] = []
    count = 0
    try:
        header = [cell.strip() for cell in next(reader, [])]
        problems = list(_header(header, place))
        if problems:
            return [], problems
        for number, cells in enumerate(reader, start=first_row):
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                what = f"{len(cells)} cells, the header has {len(header)}"
                remedy = (
                    "as many cells as columns; a cell with the delimiter, a quote or a line break stands in quotes"
                )
                problems.append(Place(f"row {number}", None, name).error("row-width", what, remedy))
                continue
            rows.append((number, {c: v.strip() for c, v in zip(header, cells, strict=True) if v.strip()}))
            count += len(rows[-1][1])
            if count > MOST_CELLS:
                what = f"holds more than {MOST_CELLS} cells"
                return [], [
                    Place("", None, name).error("too-large", what, "several smaller tables, each exam in one")
                ]
    except csv.Error as error:
        what = f"is not CSV: {error}"
        at = Place(f"row {len(rows) + first_row}", None, name)
        return [], [at.error("not-csv", what, "quotes in pairs (RFC 4180)")]
    if not rows and not problems:
        problems.append(place.error("no-exam", "a header and no rows", "at least one row"))
    return rows, problems


def _header(header: list[str], place: Place) -> Iterator[Problem]:
    count = Counter(header)
    unknown = [column for column in count if column not in COLUMNS]
    for column in count:
        if column not in COLUMNS and column in unknown[:_MOST_TOLD]:
            close = near(column, COLUMNS)
            remedy = f"did you mean {' or '.join(close)}?" if close else f"only {listed(COLUMNS, 40)}"
            yield place.error("unknown-column", f"no column {shown(column)} is known", remedy)
        elif column in COLUMNS and count[column] > 1:
            yield place.error("column-twice", f"the column {column} stands twice", "each column once")
    if len(unknown) > _MOST_TOLD:
        what = f"nor are {len(unknown) - _MOST_TOLD} other columns known"
        yield place.error("unknown-column", what, f"only {listed(COLUMNS, 40)}")
    for column in REQUIRED:
        if column not in header:
            yield place.error(
                "column-missing", f"the column {column} is missing", f"a header with {listed(REQUIRED, 20)}"
            )


def _record(group: _Group, catalogue: Catalogue) -> dict[str, Any]:
    record: dict[str, Any] = {"version": 1, "exam": {}, "newborn": {}, "findings": []}
    for column in EXAM_COLUMNS:
        told = [(number, cells[column.name]) for number, cells in group.rows if column.name in cells]
        if not told:
            continue
        number, text = told[0]
        for other, differs in told[1:]:
            if differs != text:
                group.problems.append(_disagree(column.name, number, group.places.cell(other, column.name), other))
                break
        _put(record, column.path, column.read(text))
        group.places.put(pointer(*column.path), number, column.name)
    first = group.rows[0][0]
    for part in ("exam", "newborn"):
        group.places.put(f"/{part}", first)
    for column in EXAM_COLUMNS:
        group.places.put(pointer(*column.path), first, column.name)
    for number, cells in group.rows:
        _add_finding(record["findings"], number, cells, group, catalogue)
    for number, cells in group.rows:
        _add_telling(record, number, cells, group)
    return record


def _add_telling(record: dict[str, Any], number: int, cells: dict[str, str], group: _Group) -> None:
    given = [column for column in TELLING_COLUMNS if column.name in cells]
    if not given:
        return
    told = record.setdefault("told", [])
    group.places.put(pointer("told", len(told)), number)
    for column in TELLING_COLUMNS:
        group.places.put(pointer("told", len(told), column.field), number, column.name)
    told.append({column.field: column.read(cells[column.name]) for column in given})


def _disagree(column: str, number: int, place: Place, other: int) -> Problem:
    return place.error(
        "rows-disagree",
        f"{column} is another in row {other} than in row {number} of the same exam",
        "the same in both rows, or blank after the first; two exams have two exam_ids",
    )


def _put(record: dict[str, Any], path: tuple[str, ...], value: Any) -> None:
    node = record
    for step in path[:-1]:
        inner = node.setdefault(step, {})
        if not isinstance(inner, dict):  # what could not be read is told at its own cell
            return
        node = inner
    node[path[-1]] = value


def _add_finding(
    findings: list[Any], number: int, cells: dict[str, str], group: _Group, catalogue: Catalogue
) -> None:
    at = pointer("findings", len(findings))
    given = [column for column in ("value", "unit", *_FINDING_TEXT) if column in cells]
    if "item" not in cells:
        if given:
            place = group.places.cell(number, "item")
            remedy = "the item's id; an exam without findings is one row with all finding columns blank"
            group.problems.append(place.error("item-missing", f"{given[0]} without an item", remedy))
        return
    item = catalogue.items.get(cells["item"])
    finding: dict[str, Any] = {"item": cells["item"]} | {c: cells[c] for c in _FINDING_TEXT if c in cells}
    if "value" in cells:
        finding["value"] = read_value(cells["value"], cells.get("unit", ""), item, catalogue.units)
    if "unit" in cells and not _takes_unit(finding.get("value")) and item is not None:
        place = group.places.cell(number, "unit")
        remedy = "leave unit blank; it belongs to a measured value"
        group.problems.append(place.error("unit-without-number", "a unit without a number", remedy, item.id))
    findings.append(finding)
    group.places.put(at, number)
    group.places.put(f"{at}/value", number, "value")
    for step in ("unit", "plus/unit"):
        group.places.put(f"{at}/value/{step}", number, "unit")


def _takes_unit(value: Any) -> bool:
    return isinstance(value, Unreadable) or (isinstance(value, dict) and ("value" in value or "components" in value))
