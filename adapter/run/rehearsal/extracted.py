"""An exam in each form of an extract, made as an extract makes it; every cell is of the type of its column."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.fhir.json import dumps
from adapter.problems import Layer, Problem, Severity
from adapter.write.bulk_data import lines_of
from adapter.write.omop import Concepts, exam_rows, load_concepts
from adapter.write.phenopackets import phenopacket
from adapter.write.tables import TABLES, Column, TabledExam
from adapter.write.tables.spreadsheet import cell, typed, unguarded

EXTRACTED = ("tables", "ndjson", "omop", "phenopackets")
"""Forms of an extract that each exam has; the views are the same for all."""


def extracted(name: str, catalogue: Catalogue, concepts: Concepts | None, exam: Exam) -> list[Problem]:
    """What is wrong with an exam in one of them. What was entered in error stands in NDJSON alone."""
    if name == "ndjson":
        list(lines_of(exam, catalogue))
    elif exam.details.status is not Status.ENTERED_IN_ERROR:
        tabled = TabledExam(exam, catalogue)
        if name == "tables":
            return [problem for table in TABLES for problem in _cells(table, tabled, catalogue)]
        if name == "omop":
            exam_rows(tabled, concepts or load_concepts(), True)
        else:
            dumps(phenopacket(tabled))
    return []


def _cells(name: str, tabled: TabledExam, catalogue: Catalogue) -> Iterator[Problem]:
    columns = TABLES[name].columns(catalogue)
    for row in TABLES[name].rows(tabled, catalogue):
        for column, value in zip(columns, row, strict=True):
            if value is None:
                continue
            text = cell(value)
            if typed(unguarded(text) if isinstance(value, str) else text, column.type) != value:
                what = f"a cell of column {column.name} of {name} is no {column.type}"
                yield not_the_same(what, "values of the type that the dictionary says")
            elif column.allowed and isinstance(value, str) and not _among(value, column):
                what = f"'{value}' in column {column.name} of {name} is not in the data dictionary"
                yield not_the_same(what, "one that the dictionary lists")


def _among(value: str, column: Column) -> bool:
    allowed = {code for code, _ in column.allowed}
    return value in allowed or (column.several and {*value.split(";")} <= allowed)


def not_the_same(what: str, remedy: str) -> Problem:
    """That something does not come out as it went in."""
    return Problem(Severity.ERROR, Layer.ROUND_TRIP, "not-the-same", what, remedy)
