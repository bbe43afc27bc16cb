"""Exams into the files of the OMOP CDM: one file a table, what has no concept, what was left out, and the keys."""

from __future__ import annotations

import csv
from collections import Counter
from datetime import date, datetime
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.write.omop.cdm import CdmTable, cdm
from adapter.write.omop.concepts import NO_CONCEPT, Concepts
from adapter.write.omop.events import Event, LeftOut, Unmapped, events
from adapter.write.omop.keys import PER_EXAM, Keys
from adapter.write.tables.arrow import ParquetFile, arrow
from adapter.write.tables.column import Row
from adapter.write.tables.known import Known
from adapter.write.tables.spreadsheet import CsvFile, cell

_ROWS = 50_000


class _TableFile:
    """One table as it is written."""

    def __init__(self, folder: Path, table: CdmTable, form: str) -> None:
        make: type[ParquetFile] | type[CsvFile] = ParquetFile if form == "parquet" else CsvFile
        self._table = table
        self._file = make(folder / f"{table.name}.{form}", table.columns)
        self._waiting: list[Row] = []
        self.rows = 0

    def add(self, cells: dict[str, Any]) -> None:
        self._waiting.append(self._table.row(cells))
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

    ``keys``: those of an earlier extract, to go on from. ``notes``: free text goes into ``note``. Persons and visits
    are held in memory, events are not.
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
    ) -> None:
        if form == "parquet":
            arrow()
        self._folder, self._catalogue, self._concepts, self._notes = folder, catalogue, concepts, notes
        self._keys = keys or Keys()
        names = [name for name in cdm() if notes or name != "note"]
        self._files = {name: _TableFile(folder, cdm()[name], form) for name in names}
        self._persons: set[int] = set()
        self._visits: dict[int, dict[str, Any]] = {}
        self._periods: dict[int, tuple[date, date]] = {}
        self.unmapped: Counter[Unmapped] = Counter()
        self.left_out: Counter[str] = Counter()

    def add(self, exam: Exam | Known) -> None:
        """Add the rows of one exam; of one that was entered in error only the count of what is left out."""
        known = exam if isinstance(exam, Known) else Known(exam, self._catalogue)
        if known.exam.details.status is Status.ENTERED_IN_ERROR:
            self.left_out.update(one.reason for one in events(known, self._concepts) if isinstance(one, LeftOut))
            return
        person, visit = self._person(known), self._visit(known)
        first = self._keys.number("exam", known.identity.report().uuid) * PER_EXAM
        place = 0
        for one in events(known, self._concepts, self._notes):
            if isinstance(one, LeftOut):
                self.left_out[one.reason] += 1
                continue
            if place >= PER_EXAM:
                raise ValueError(f"exam {known.exam.details.id} has more than {PER_EXAM} rows")
            self._event(one, person, visit, first + place)
            place += 1

    def _event(self, one: Event, person: int, visit: int, key: int) -> None:
        self.unmapped.update(one.unmapped)
        self._files[one.table].add(
            {**one.cells, f"{one.table}_id": key, "person_id": person, "visit_occurrence_id": visit}
        )
        self._span(person, one.cells[f"{one.table}_date"])

    def _span(self, person: int, day: date) -> None:
        first, last = self._periods.get(person, (day, day))
        self._periods[person] = min(first, day), max(last, day)

    def _person(self, known: Known) -> int:
        newborn = known.exam.newborn
        person = self._keys.number("person", known.newborn_id)
        if person not in self._persons:
            self._persons.add(person)
            born = newborn.birth_time.replace(tzinfo=None)
            cells = {
                "person_id": person,
                "gender_concept_id": self._concepts.id("gender", newborn.sex.value),
                "year_of_birth": born.year,
                "month_of_birth": born.month,
                "day_of_birth": born.day,
                "birth_datetime": born,
                "race_concept_id": NO_CONCEPT,
                "ethnicity_concept_id": NO_CONCEPT,
                "person_source_value": known.newborn_id,
                "gender_source_value": newborn.sex.value,
                "gender_source_concept_id": NO_CONCEPT,
            }
            self._files["person"].add(cells)
        return person

    def _visit(self, known: Known) -> int:
        """The visit of the exam: the ward's own encounter, which several exams may share, else the exam itself."""
        details = known.exam.details
        encounter = known.identity.encounter(details.encounter).uuid
        visit = self._keys.number("visit", f"{known.newborn_id}/{encounter}")
        person = self._keys.number("person", known.newborn_id)
        began, ended = details.started.replace(tzinfo=None), (details.ended or details.started).replace(tzinfo=None)
        kind = self._catalogue.kinds[details.kind].encounter_class
        cells = self._visits.get(visit)
        if cells is None:
            cells = self._visits[visit] = {
                "visit_occurrence_id": visit,
                "person_id": person,
                "visit_concept_id": self._concepts.id("visit", kind),
                "visit_type_concept_id": self._concepts.id("type", "ehr"),
                "visit_source_value": kind,
                "visit_source_concept_id": NO_CONCEPT,
            }
        _widen(cells, began, ended)
        self._span(person, began.date())
        self._span(person, ended.date())
        return visit

    def abandon(self) -> None:
        """Let go of the files, which are not whole."""
        for file in self._files.values():
            file.abandon()

    def close(self) -> None:
        """Write visits, observation periods and the lists, and finish the files."""
        for cells in self._visits.values():
            self._files["visit_occurrence"].add(cells)
        for number, (person, (first, last)) in enumerate(self._periods.items(), start=1):
            cells = {"observation_period_id": number, "person_id": person}
            cells |= {"observation_period_start_date": first, "observation_period_end_date": last}
            cells["period_type_concept_id"] = self._concepts.id("type", "ehr")
            self._files["observation_period"].add(cells)
        for file in self._files.values():
            file.close()
        self._keys.write(self._folder / "keys.csv")
        unmapped = [(u.kind, u.code, u.label, u.published, n) for u, n in self.unmapped.most_common()]
        self._list("unmapped", ("kind", "source_code", "label", "published_codes", "rows"), unmapped)
        counts = [("rows", name, file.rows) for name, file in self._files.items()]
        counts += [("left out", reason, count) for reason, count in sorted(self.left_out.items())]
        self._list("report", ("what", "name", "rows"), counts)

    def _list(self, name: str, heading: tuple[str, ...], rows: list[Any]) -> None:
        with (self._folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(heading)
            writer.writerows([cell(value) for value in row] for row in rows)


def _widen(cells: dict[str, Any], began: datetime, ended: datetime) -> None:
    began = min(began, cells.get("visit_start_datetime", began))
    ended = max(ended, cells.get("visit_end_datetime", ended))
    cells |= {"visit_start_datetime": began, "visit_start_date": began.date()}
    cells |= {"visit_end_datetime": ended, "visit_end_date": ended.date()}
