"""Exams into the files of a folder, table by table, in flat memory."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from hashlib import blake2b
from pathlib import Path
from typing import Protocol

from adapter import SOFTWARE_VERSION
from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.write.tables import TABLES, Column, Row, TabledExam
from adapter.write.tables.arrow import ParquetFile, arrow
from adapter.write.tables.datapackage import write_datapackage
from adapter.write.tables.dictionary import HEADINGS, Counts, as_csv, as_html, entries
from adapter.write.tables.labels import write_labels
from adapter.write.tables.notebook import write_notebook
from adapter.write.tables.spreadsheet import CsvFile
from adapter.write.tables.sqlite import SqliteFile, write_sqlite_dictionary

FORMS = ("parquet", "csv", "sqlite")
_CELLS = 1_000_000
"""Cells held before they are written: a row group of Parquet."""


class TableFile(Protocol):
    """One table as it is written."""

    def write(self, rows: Sequence[Row]) -> None:
        """Append rows."""

    def close(self) -> None:
        """Finish it."""


def table_file(folder: Path, name: str, form: str, columns: Sequence[Column], present: Sequence[str]) -> TableFile:
    """A table of a folder as ``csv``, ``parquet`` or in ``sqlite``, where ``present`` are the tables it will have."""
    if form == "sqlite":
        return SqliteFile(folder, name, columns, present)
    path = folder / f"{name}.{form}"
    return ParquetFile(path, columns) if form == "parquet" else CsvFile(path, columns)


class TableFiles:
    """The tables of a folder as they are written; the data dictionary is written at the end.

    ``repeats``: rows of a table with a unique column stand though their value came before, for whoever will look
    over more than these. Raises :class:`adapter.write.tables.arrow.NoParquet` where its library is missing.
    """

    def __init__(
        self,
        folder: Path,
        catalogue: Catalogue,
        form: str = "parquet",
        names: Sequence[str] = tuple(TABLES),
        *,
        repeats: bool = False,
    ) -> None:
        if form == "parquet":
            arrow()
        self._folder, self._catalogue = folder, catalogue
        self.columns: dict[str, tuple[Column, ...]] = {name: TABLES[name].columns(catalogue) for name in names}
        self._files = {n: table_file(folder, n, form, c, tuple(names)) for n, c in self.columns.items()}
        self._waiting: dict[str, list[Row]] = {name: [] for name in names}
        self._seen: dict[str, set[bytes]] = {name: set() for name in names if TABLES[name].unique and not repeats}
        self.counts: dict[str, Counts] = {name: Counts() for name in names}

    def add(self, exam: Exam | TabledExam) -> None:
        """Add the rows of one exam to every table."""
        tabled = exam if isinstance(exam, TabledExam) else TabledExam(exam, self._catalogue)
        for name in self.columns:
            self.add_rows(name, list(TABLES[name].rows(tabled, self._catalogue)))

    def add_rows(self, name: str, rows: Sequence[Row]) -> None:
        """Add rows that were made elsewhere; of a table with a unique column, the first row of a value stands."""
        if name in self._seen:
            rows = [row for row in rows if self._new(name, row)]
        waiting = self._waiting[name]
        waiting.extend(rows)
        if len(waiting) * len(self.columns[name]) >= _CELLS:
            self._flush(name)

    def _new(self, name: str, row: Row) -> bool:
        place = next(i for i, c in enumerate(self.columns[name]) if c.name == TABLES[name].unique)
        key = blake2b(str(row[place]).encode(), digest_size=12).digest()
        seen = self._seen[name]
        if key in seen:
            return False
        seen.add(key)
        return True

    def _flush(self, name: str) -> None:
        rows = self._waiting[name]
        self.counts[name].see(rows, self.columns[name])
        self._files[name].write(rows)
        self._waiting[name] = []

    def abandon(self) -> None:
        """Let go of the files, which are not whole."""
        for file in self._files.values():
            file.close()

    def finish(self) -> None:
        """Write what waits and finish the files, without a dictionary."""
        for name, file in self._files.items():
            self._flush(name)
            file.close()

    def close(self) -> None:
        """Finish the files, and write the data dictionary as CSV and HTML."""
        self.finish()
        write_dictionary(self._folder, self._catalogue, self.counts)


def write_dictionary(folder: Path, catalogue: Catalogue, counts: dict[str, Counts]) -> None:
    """The dictionary of the tables that were counted (CSV, HTML), and what opens them by it: ``datapackage.json``,
    the scripts with labels, the notebook."""
    write_labels(folder, catalogue, {name: seen.rows for name, seen in counts.items()})
    write_datapackage(folder, catalogue, counts)
    write_notebook(folder, "exams" in counts)
    rows = [row for name, seen in counts.items() for row in entries(TABLES[name], catalogue, seen)]
    policy = catalogue.settings.policy
    about = [
        f"Made on {datetime.now(UTC):%Y-%m-%d} by {SOFTWARE_VERSION}, catalogue "
        f"{catalogue.settings.version}; policy in force: {policy.name} ({policy.date}).",
        "An empty cell is never a normal finding. Not examined (with its reason), not recorded and not expected are "
        "kept apart in the status columns.",
        "Findings as recorded, judged by this site's ranges and rules: not diagnoses.",
    ]
    write_sqlite_dictionary(folder, HEADINGS, rows)
    (folder / "dictionary.csv").write_text(as_csv(rows), encoding="utf-8", newline="")
    labels = {name: TABLES[name].label for name in counts}
    (folder / "dictionary.html").write_text(as_html(rows, labels, about), encoding="utf-8")
