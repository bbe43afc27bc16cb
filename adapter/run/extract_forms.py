"""The forms of an extract: what a chunk keeps of each exam, and how that becomes the extract's files.

Each form's ``merge`` writes through the same writer as if the exams had come one after the other, so that the extract
is the same however it was cut; tables alone are joined as they are, since they are the most.
"""

from __future__ import annotations

import csv
import json
import os
import shutil
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from itertools import compress, islice
from pathlib import Path
from typing import IO, Any, Protocol

from adapter.catalogue import load_catalogue
from adapter.fhir.json import dumps, loads
from adapter.files.dedupe import Dedupe
from adapter.run.merge import Stays, in_order, number_of
from adapter.run.work import NotPossible
from adapter.write.bulk_data import BulkDataFiles, NdjsonLine, lines_of
from adapter.write.omop import (
    IDENTIFIED,
    Checked,
    Concepts,
    ExamRows,
    Keys,
    OmopFiles,
    exam_rows,
    load_concepts,
    read_keys,
)
from adapter.write.phenopackets import phenopacket, with_metadata
from adapter.write.tables import TABLES, Column, Row, TabledExam
from adapter.write.tables.dictionary import Counts
from adapter.write.tables.files import TableFile, TableFiles, table_file, write_dictionary
from adapter.write.tables.proof import NEEDED, NotProved, proved, write_proof
from adapter.write.tables.spreadsheet import RawCsvFile, read_rows
from adapter.write.view_columns import write_view_columns
from adapter.write.views import views

_ROWS = 10_000
COUNTS = "counts"


@dataclass(frozen=True, slots=True)
class FormOptions:
    """What the forms of an extract are told: see :class:`adapter.run.extract.Extract`."""

    site: Path | None
    encoding: str
    tables: tuple[str, ...]
    notes: bool
    omop_keys: Path | None
    keys_for: str = IDENTIFIED
    concepts: Concepts | None = None
    checked: tuple[Checked, ...] = ()
    dated: bool = True


class ExtractForm(Protocol):
    """One form of an extract."""

    @property
    def name(self) -> str:
        """As :data:`FORMS` calls it."""

    @property
    def files(self) -> tuple[str, ...]:
        """The files of a chunk."""

    @property
    def retracted(self) -> bool:
        """Whether it holds what was entered in error."""

    def begin(self, folder: Path) -> None:
        """Make the files of the next chunk in this folder."""

    def of_exam(self, tabled: TabledExam) -> Any:
        """What the exam is in this form; nothing is written yet."""

    def write(self, made: Any) -> dict[str, int]:
        """Write that; how many rows it has in each file."""

    def end(self) -> None:
        """Close the files of the chunk."""

    def merge(self, kept: Path, out: Path, stays: Stays) -> None:
        """Make the files of the extract in ``out`` of those that the chunks left in ``kept``."""


class Tables:
    """The tables in the folder itself, with their dictionary.

    Of a table with a unique column the first row of a value stands. Parquet stays in parts,
    ``findings/part-00000.parquet``, but for what came from one chunk; CSV becomes one file, and SQLite one of all
    tables: chunks have them as CSV until then.
    """

    name, retracted = "tables", False

    def __init__(self, options: FormOptions) -> None:
        self.options, self.catalogue = options, load_catalogue(options.site)
        self.kept_as = "csv" if options.encoding == "sqlite" else options.encoding
        self.files = (*(f"{name}.{self.kept_as}" for name in options.tables), COUNTS)

    def begin(self, folder: Path) -> None:
        self.folder = folder
        self.writer = TableFiles(folder, self.catalogue, self.kept_as, self.options.tables, repeats=True)

    def of_exam(self, tabled: TabledExam) -> dict[str, list[Row]]:
        return {name: list(TABLES[name].rows(tabled, self.catalogue)) for name in self.options.tables}

    def write(self, made: dict[str, list[Row]]) -> dict[str, int]:
        for name, rows in made.items():
            self.writer.add_rows(name, rows)
        return {name: len(rows) for name, rows in made.items()}

    def end(self) -> None:
        self.writer.finish()
        counts = {name: _as_plain(found) for name, found in self.writer.counts.items()}
        (self.folder / COUNTS).write_text(json.dumps(counts), encoding="utf-8")

    def merge(self, kept: Path, out: Path, stays: Stays) -> None:
        counts = {
            name: _MergedTable(name, kept, out, self, TABLES[name].columns(self.catalogue), stays).written()
            for name in self.options.tables
        }
        write_dictionary(out, self.catalogue, counts)
        if counts.keys() >= set(NEEDED) and counts["exams"].rows:
            write_proof(out, self.catalogue)
            try:
                proved(out)
            except NotProved as error:
                raise NotPossible(f"{error}. Nothing is written: report this fault of the program") from None


class _MergedTable:
    """One table out of the files that the chunks have of it."""

    def __init__(
        self, name: str, kept: Path, out: Path, form: Tables, columns: tuple[Column, ...], stays: Stays
    ) -> None:
        self.name, self.kept, self.out, self.form = name, kept, out, form
        self.encoding = form.options.encoding
        self.columns, self.stays, self.counts = columns, stays, Counts()
        self.parts = in_order(kept / f"{name}.{form.kept_as}")

    def written(self) -> Counts:
        """Write it; what was counted of it."""
        if self.stays.shuffled and self.parts:
            self._shuffled(TABLES[self.name].unique)
        elif TABLES[self.name].unique or not self.parts or self.encoding == "sqlite":
            self._gathered(TABLES[self.name].unique)
        elif self.encoding == "csv":
            self._joined()
        else:
            self._apart()
        return self.counts

    @property
    def _one(self) -> Path:
        return self.out / f"{self.name}.{self.encoding}"

    def _made(self, folder: Path, form: str) -> TableFile:
        return table_file(folder, self.name, form, self.columns, self.form.options.tables)

    def _gathered(self, unique: str) -> None:
        """One file; of a table with a unique column the first row of each value."""
        batches = (rows for part in self.parts for rows in self._staying(part))
        self._write(self._made(self.out, self.encoding), batches, unique)

    def _shuffled(self, unique: str) -> None:
        """The same in the order of pseudonyms; cells of CSV go into CSV as they are."""
        raw = self.encoding == "csv"
        parts = ((number_of(part), _raw(part) if raw else _rows(part, self.columns)) for part in self.parts)
        rows = self.stays.in_order(self.name, parts)
        file = RawCsvFile(self._one, self.columns) if raw else self._made(self.out, self.encoding)
        self._write(file, _in_batches(rows), unique)

    def _joined(self) -> None:
        """One CSV file, the header once."""
        with self._one.open("wb") as joined:
            for part in self.parts:
                with self._without_gone(part).open("rb") as file:
                    header = file.readline()
                    if not joined.tell():
                        joined.write(header)
                    shutil.copyfileobj(file, joined, 1 << 20)

    def _apart(self) -> None:
        """Parquet files as they are; a single one by the table's name."""
        folder = self.out / self.name
        if len(self.parts) > 1:
            folder.mkdir()
        for number, part in enumerate(self.parts):
            target = folder / f"part-{number:05}.parquet" if len(self.parts) > 1 else self._one
            os.link(self._without_gone(part), target)

    def _without_gone(self, part: Path) -> Path:
        """The chunk's file without the rows of exams that do not stay, and its counts."""
        if self.stays.all_of(number_of(part)):
            counts = json.loads((self.kept / COUNTS / f"{number_of(part):05}").read_text(encoding="utf-8"))[self.name]
            statuses = {name: Counter(seen) for name, seen in counts["statuses"].items()}
            self.counts.add(Counts(counts["rows"], Counter(counts["filled"]), statuses))
            return part
        less = self.kept / "less" / part.name.partition(".")[0]
        less.mkdir(parents=True, exist_ok=True)
        self._write(self._made(less, self.encoding), self._staying(part))
        return less / self._one.name

    def _write(self, file: TableFile, batches: Iterator[list[Row]], unique: str = "") -> None:
        place = [column.name for column in self.columns].index(unique) if unique else 0
        with Dedupe() as values:
            for rows in batches:
                chosen = [row for row in rows if values.new(str(row[place]))] if unique else rows
                self.counts.see(chosen, self.columns)
                file.write(chosen)
        file.close()

    def _staying(self, part: Path) -> Iterator[list[Row]]:
        number = number_of(part)
        if self.stays.all_of(number):
            yield from _in_batches(_rows(part, self.columns))
            return
        staying = self.stays.rows(number, self.name)
        for rows in _in_batches(_rows(part, self.columns)):
            yield list(compress(rows, list(islice(staying, len(rows)))))


def _in_batches(rows: Iterator[Row]) -> Iterator[list[Row]]:
    while waiting := list(islice(rows, _ROWS)):
        yield waiting


def _rows(path: Path, columns: Sequence[Column]) -> Iterator[Row]:
    return read_rows(path, columns) if path.suffix == ".csv" else _typed(path)


def _raw(path: Path) -> Iterator[Row]:
    """The cells of a CSV file as they are written, empty ones None."""
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.reader(file)
        next(reader)
        yield from (tuple(cell or None for cell in cells) for cells in reader)


def _typed(path: Path) -> Iterator[Row]:
    from pyarrow.parquet import ParquetFile as Reader

    with Reader(path) as reader:
        for batch in reader.iter_batches(_ROWS):
            yield from zip(*(column.to_pylist() for column in batch.columns), strict=True)


def _as_plain(counts: Counts) -> dict[str, Any]:
    return {"rows": counts.rows, "filled": counts.filled, "statuses": counts.statuses}


class BulkData:
    """FHIR resources as NDJSON in ``fhir/``; what was entered in error says so in each resource's status."""

    name, files, retracted = "ndjson", ("ndjson",), True

    def __init__(self, options: FormOptions) -> None:
        self.catalogue = load_catalogue(options.site)

    def begin(self, folder: Path) -> None:
        self.file: IO[bytes] = (folder / self.name).open("wb")

    def of_exam(self, tabled: TabledExam) -> list[NdjsonLine]:
        return list(lines_of(tabled.exam, self.catalogue, dated=tabled.dated))

    def write(self, made: list[NdjsonLine]) -> dict[str, int]:
        self.file.writelines(b"%s\t%s\t%s" % (one.type.encode(), one.shared.encode(), one.content) for one in made)
        return {self.name: len(made)}

    def end(self) -> None:
        self.file.close()

    def merge(self, kept: Path, out: Path, stays: Stays) -> None:
        folder = out / "fhir"
        folder.mkdir()
        writer = BulkDataFiles(folder, self.catalogue)
        for line in stays.lines(self.name):
            type_, shared, content = line.split(b"\t", 2)
            writer.add_line(NdjsonLine(type_.decode(), shared.decode(), content))
        writer.close()


class Omop:
    """OMOP tables in ``omop/``. Persons, visits and exams get their numbers at the end, in the order of the input."""

    name, files, retracted = "omop", ("omop",), True

    def __init__(self, options: FormOptions) -> None:
        self.options, self.catalogue = options, load_catalogue(options.site)

    @cached_property
    def concepts(self) -> Concepts:
        """Read when first needed, where none were given."""
        return self.options.concepts or load_concepts(self.options.site)

    def begin(self, folder: Path) -> None:
        self.file = (folder / self.name).open("w", encoding="utf-8")

    def of_exam(self, tabled: TabledExam) -> ExamRows:
        return exam_rows(tabled, self.concepts, self.options.notes)

    def write(self, made: ExamRows) -> dict[str, int]:
        self.file.write(made.to_json() + "\n")
        return {self.name: 1}

    def end(self) -> None:
        self.file.close()

    def merge(self, kept: Path, out: Path, stays: Stays) -> None:
        folder, options = out / "omop", self.options
        folder.mkdir()
        made_for = options.keys_for
        keys = Keys(made_for=made_for) if options.omop_keys is None else read_keys(options.omop_keys, made_for)
        more: dict[str, Any] = {"keys": keys, "notes": options.notes, "checked": options.checked}
        more["dated"] = options.dated
        encoding = "csv" if options.encoding == "sqlite" else options.encoding
        writer = OmopFiles(folder, self.catalogue, self.concepts, encoding, **more)
        for line in stays.lines(self.name):
            writer.add_rows(ExamRows.from_json(line))
        writer.close()


class Views:
    """SQL on FHIR ViewDefinitions in ``views/``: the same for all exams."""

    name, files, retracted = "views", (), True

    def __init__(self, options: FormOptions) -> None:
        self.catalogue = load_catalogue(options.site)

    def begin(self, folder: Path) -> None:
        """A chunk has none."""

    def of_exam(self, tabled: TabledExam) -> None:
        """An exam has none."""

    def write(self, made: None) -> dict[str, int]:
        return {}

    def end(self) -> None:
        """A chunk has none."""

    def merge(self, kept: Path, out: Path, stays: Stays) -> None:
        folder = out / "views"
        folder.mkdir()
        for name, view in views(self.catalogue).items():
            (folder / f"{name}.json").write_bytes(dumps(view, pretty=True) + b"\n")
        write_view_columns(folder, self.catalogue)


class Phenopackets:
    """GA4GH Phenopackets as NDJSON in ``phenopackets/``, one an exam; what was entered in error is in none."""

    name, files, retracted = "phenopackets", ("phenopackets",), False

    def __init__(self, options: FormOptions) -> None:
        self.catalogue = load_catalogue(options.site)

    def begin(self, folder: Path) -> None:
        self.file = (folder / self.name).open("wb")

    def of_exam(self, tabled: TabledExam) -> bytes:
        return dumps(phenopacket(tabled)) + b"\n"

    def write(self, made: bytes) -> dict[str, int]:
        self.file.write(made)
        return {self.name: 1}

    def end(self) -> None:
        self.file.close()

    def merge(self, kept: Path, out: Path, stays: Stays) -> None:
        """They say on which day they were made, and no more, so that the same extract is the same bytes."""
        (out / self.name).mkdir()
        today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
        with (out / self.name / "phenopackets.ndjson").open("wb") as file:
            for line in stays.lines(self.name):
                file.write(dumps(with_metadata(loads(line), self.catalogue, today)) + b"\n")


FORMS: dict[str, Callable[[FormOptions], ExtractForm]] = {
    "tables": Tables,
    "ndjson": BulkData,
    "views": Views,
    "omop": Omop,
    "phenopackets": Phenopackets,
}
