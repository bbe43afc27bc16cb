"""Exams into the files of the OMOP CDM: one file a table, what has no concept, what was left out, and the keys."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.write.omop.cdm import CdmTable, cdm
from adapter.write.omop.concepts import Concepts
from adapter.write.omop.events import Unmapped
from adapter.write.omop.exam_rows import ExamRows, exam_rows
from adapter.write.omop.keys import Keys
from adapter.write.omop.vocabulary import Checked
from adapter.write.tables.arrow import ParquetFile, arrow
from adapter.write.tables.column import Row
from adapter.write.tables.spreadsheet import CsvFile, cell
from adapter.write.tables.tabled import TabledExam

_ROWS = 50_000
_WITHHELD = frozenset(
    ["month_of_birth", "day_of_birth", "birth_datetime"]
    + [f"{name}_datetime" for name in ("visit_start", "visit_end", "measurement", "observation", "note")]
)
"""What may be empty where dates are withheld."""


class _TableFile:
    """One table as it is written."""

    def __init__(self, folder: Path, table: CdmTable, form: str) -> None:
        make: type[ParquetFile] | type[CsvFile] = ParquetFile if form == "parquet" else CsvFile
        self._file = make(folder / f"{table.name}.{form}", table.columns)
        self._waiting: list[Row] = []
        self.rows = 0

    def add(self, row: Row) -> None:
        self._waiting.append(row)
        self.rows += 1
        if len(self._waiting) >= _ROWS:
            self._flush()

    def _flush(self) -> None:
        self._file.write(self._waiting)
        self._waiting = []

    def abandon(self) -> None:
        self._file.close()

    def close(self) -> None:
        self._flush()
        self._file.close()


class OmopFiles:
    """The tables of a folder as they are written; visits, observation periods and reports at the end.

    ``keys``: those of an earlier extract, to go on from. ``notes``: free text goes into ``note``. ``checked``: how
    the concepts compare with the site's vocabularies. Persons and visits are held in memory, events are not. Of what
    was found before its exam began (an Apgar score) there is no visit. Not ``dated``: of dates the year of birth, and
    where the CDM requires a day, that of a newborn born on 1 January; no field is filled that may be empty.
    """

    def __init__(
        self,
        folder: Path,
        catalogue: Catalogue,
        concepts: Concepts,
        form: str = "csv",
        *,
        keys: Keys | None = None,
        notes: bool = False,
        checked: Sequence[Checked] = (),
        dated: bool = True,
    ) -> None:
        if form == "parquet":
            arrow()
        self._folder, self._catalogue, self._concepts, self._notes = folder, catalogue, concepts, notes
        self._keys, self._checked, self._dated = keys or Keys(), checked, dated
        names = [name for name in cdm() if notes or name != "note"]
        self._files = {name: _TableFile(folder, cdm()[name], form) for name in names}
        self._places = {name: _key_places(cdm()[name]) for name in names}
        self._persons: set[int] = set()
        self._offsets: dict[int, int] = {}
        self._visits: dict[int, Row] = {}
        self._periods: dict[int, tuple[date, date]] = {}
        self.unmapped: Counter[Unmapped] = Counter()
        self.left_out: Counter[str] = Counter()

    def add(self, exam: Exam | TabledExam) -> None:
        """Add the rows of one exam; of one that was entered in error only the count of what is left out."""
        tabled = exam if isinstance(exam, TabledExam) else TabledExam(exam, self._catalogue)
        self.add_rows(exam_rows(tabled, self._concepts, self._notes))

    def add_rows(self, exam: ExamRows) -> None:
        """Number the rows of an exam and add them."""
        self.left_out += exam.left_out
        if exam.person is None or exam.visit is None:
            return
        person = self._keys.number("person", exam.newborn)
        if person not in self._persons:
            self._persons.add(person)
            self._add("person", self._numbered("person", exam.person, person, person, 0))
        visit = self._keys.number("visit", f"{exam.newborn}/{exam.encounter}")
        minutes = self._offsets.setdefault(person, exam.offset) - exam.offset
        of_visit = _moved("visit_occurrence", exam.visit, minutes)
        self._see_visit(person, visit, of_visit)
        began = of_visit[_names("visit_occurrence").index("visit_start_datetime")]
        self.unmapped.update(exam.unmapped)
        for place, (table, row) in enumerate(exam.rows):
            cells = _moved(table, row, minutes)
            key, places = self._keys.row(exam.exam, place), self._places[table]
            during = visit if cells[places["datetime"]] >= began else None
            self._add(table, self._numbered(table, cells, key, person, during))
            self._span(person, cells[places["date"]])

    def _numbered(self, table: str, row: Row, key: int, person: int, visit: int | None) -> Row:
        """The row with its keys."""
        cells, places = list(row), self._places[table]
        for name, number in (("visit", visit), ("person", person), ("own", key)):
            if name in places:
                cells[places[name]] = number
        return tuple(cells)

    def _add(self, table: str, row: Row) -> None:
        if not self._dated:
            row = tuple(None if name in _WITHHELD else value for name, value in zip(_names(table), row, strict=True))
        self._files[table].add(row)

    def _see_visit(self, person: int, visit: int, row: Row) -> None:
        """A visit lasts from the first beginning to the last end of its exams."""
        row = self._numbered("visit_occurrence", row, visit, person, visit)
        names = _names("visit_occurrence")
        cells, before = (
            dict(zip(names, row, strict=True)),
            dict(zip(names, self._visits.get(visit, row), strict=True)),
        )
        began = min(cells["visit_start_datetime"], before["visit_start_datetime"])
        ended = max(cells["visit_end_datetime"], before["visit_end_datetime"])
        self._span(person, cells["visit_start_date"])
        self._span(person, cells["visit_end_date"])
        before |= {"visit_start_datetime": began, "visit_start_date": began.date()}
        before |= {"visit_end_datetime": ended, "visit_end_date": ended.date()}
        self._visits[visit] = tuple(before.values())

    def _span(self, person: int, day: date) -> None:
        first, last = self._periods.get(person, (day, day))
        self._periods[person] = min(first, day), max(last, day)

    def abandon(self) -> None:
        """Let go of the files, which are not whole."""
        for file in self._files.values():
            file.abandon()

    def close(self) -> None:
        """Write visits, observation periods and the lists, and finish the files."""
        for row in self._visits.values():
            self._add("visit_occurrence", row)
        for person, (first, last) in self._periods.items():  # one a person, so that it keeps the person's number
            cells: dict[str, Any] = {"observation_period_id": person, "person_id": person}
            cells |= {"observation_period_start_date": first, "observation_period_end_date": last}
            cells["period_type_concept_id"] = self._concepts.id("type", "ehr")
            self._files["observation_period"].add(cdm()["observation_period"].row(cells))
        for file in self._files.values():
            file.close()
        self._keys.write(self._folder / "keys.csv")
        often = sorted(self.unmapped.items(), key=lambda one: (-one[1], one[0].kind, one[0].code))
        unmapped = [(u.kind, u.code, u.label, u.published, n) for u, n in often]
        self._list("unmapped", ("kind", "source_code", "label", "published_codes", "rows"), unmapped)
        counts = [("rows", name, file.rows) for name, file in self._files.items()]
        counts += [("left out", reason, count) for reason, count in sorted(self.left_out.items())]
        if self._checked:
            rows = [(c.verdict, c.vocabulary, c.code, c.shipped, c.found, c.domain, c.name) for c in self._checked]
            heading = ("verdict", "vocabulary", "code", "shipped_concept_id", "concept_id", "domain", "name")
            self._list("vocabulary", heading, rows)
        self._list("report", ("what", "name", "rows"), counts)

    def _list(self, name: str, heading: tuple[str, ...], rows: list[Any]) -> None:
        with (self._folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(heading)
            writer.writerows([cell(value) for value in row] for row in rows)


def _names(table: str) -> list[str]:
    return [column.name for column in cdm()[table].columns]


def _moved(table: str, row: Row, minutes: int) -> Row:
    """The row with its local times, and the dates beside them, at another offset."""
    if not minutes:
        return row
    cells = dict(zip(_names(table), row, strict=True))
    for name in [name for name, value in cells.items() if name.endswith("_datetime") and value is not None]:
        cells[name] += timedelta(minutes=minutes)
        cells[f"{name.removesuffix('_datetime')}_date"] = cells[name].date()
    return tuple(cells.values())


def _key_places(table: CdmTable) -> dict[str, int]:
    """Where the keys of a row stand, and its date."""
    names = [column.name for column in table.columns]
    wanted = {"own": f"{table.name}_id", "person": "person_id", "visit": "visit_occurrence_id"}
    wanted |= {"date": f"{table.name}_date", "datetime": f"{table.name}_datetime"}
    return {short: names.index(name) for short, name in wanted.items() if name in names}
