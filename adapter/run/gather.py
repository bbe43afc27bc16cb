"""The tables of all chunks as those of one extract, and what only all exams together can tell.

An exam that was given in an earlier chunk is taken out again, as is one whose newborn had another family before (its
dates would be moved by another number of days). Of a table with a unique column the first row of a value stands.
Parquet stays in parts, ``findings/part-00000.parquet``, but for what came from one chunk; CSV becomes one file.
"""

from __future__ import annotations

import json
import os
import shutil
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue
from adapter.problems import Layer, Problem, Severity
from adapter.run.aside import set_aside
from adapter.run.chunks import Form, Unit
from adapter.run.seen import Seen
from adapter.run.work import Taken, Tally
from adapter.write.deidentify import Deidentifier
from adapter.write.tables import TABLES, Column, Row
from adapter.write.tables.arrow import ParquetFile
from adapter.write.tables.dictionary import Counts
from adapter.write.tables.files import write_dictionary
from adapter.write.tables.spreadsheet import CsvFile, read_rows

MET, COUNTS = "met", "counts"
_ROWS = 10_000


@dataclass(frozen=True, slots=True)
class Met:
    """One exam of a chunk's tables.

    ``given``: its id as it came, empty where every version counts; ``made``: its id in the tables. ``cell``: its
    quasi-identifiers; ``log``: what de-identifying did. ``form``, ``file``, ``at``: where it came from.
    """

    given: str
    made: str
    newborn: str
    family: str
    cell: list[str] | None
    log: dict[str, int]
    findings: int
    form: str
    file: str
    at: int


def as_plain(counts: Counts) -> dict[str, Any]:
    """The counts of a table as JSON holds them."""
    return {"rows": counts.rows, "filled": counts.filled, "statuses": counts.statuses}


def gather(
    kept: Path,
    out: Path,
    names: Sequence[str],
    encoding: str,
    catalogue: Catalogue,
    deidentifier: Deidentifier | None,
) -> Tally:
    """Make the extract in ``out`` of what the chunks left in ``kept``; what changes in the counts by it."""
    shutil.rmtree(out, ignore_errors=True)
    out.mkdir(mode=0o700)
    changes = Tally()
    dropped = _dropped(kept, deidentifier, changes)
    counts = {name: _Table(name, kept, out, encoding, catalogue, dropped).written() for name in names}
    write_dictionary(out, catalogue, counts)
    if deidentifier is not None:
        deidentifier.write(out)
    return changes


def _dropped(kept: Path, deidentifier: Deidentifier | None, changes: Tally) -> dict[int, set[str]]:
    """By chunk, the ids of the exams that must go out of its tables again."""
    dropped: dict[int, set[str]] = {}
    log: Counter[str] = Counter()
    number = 0
    with Seen() as exams, Seen() as families, Seen() as newborns:
        for chunk, met in _met(kept):
            number += 1
            if met.given and exams.first(met.given, number) != number:
                changes.left_out += 1
            elif families.first(met.newborn, met.family) != met.family:
                log["exams refused: other mother than before"] += 1
                _refuse(kept.parent, met, changes)
            else:
                log.update(met.log)
                if deidentifier is not None and newborns.first(met.newborn, number) == number:
                    deidentifier.cells.counts[tuple(met.cell or ())] += 1
                continue
            dropped.setdefault(chunk, set()).add(met.made)
            changes.done -= 1
            changes.findings -= met.findings
    if deidentifier is not None:
        deidentifier.log = log
    return dropped


def _met(kept: Path) -> Iterator[tuple[int, Met]]:
    for path in _in_order(kept / MET):
        with path.open(encoding="utf-8") as file:
            for line in file:
                yield int(path.name), Met(**json.loads(line))


def _in_order(folder: Path) -> list[Path]:
    return sorted(folder.iterdir(), key=lambda path: int(path.name.partition(".")[0])) if folder.is_dir() else []


def _refuse(run_folder: Path, met: Met, changes: Tally) -> None:
    what = "another mother than in an earlier exam of this newborn, or none: its dates cannot be moved"
    problem = Problem(
        Severity.ERROR, Layer.CAPTURE, "other-mother", what, "the same mother in all its exams", file=met.file
    )
    set_aside(run_folder, Unit(Form(met.form), met.file, met.at), [Taken(True, (problem,), met.given)])
    changes.refused += 1
    changes.problems["error other-mother"] += 1


class _Table:
    """One table out of the files that the chunks have of it."""

    def __init__(
        self, name: str, kept: Path, out: Path, encoding: str, catalogue: Catalogue, dropped: dict[int, set[str]]
    ) -> None:
        self.table, self.kept, self.out, self.encoding = TABLES[name], kept, out, encoding
        self.columns = self.table.columns(catalogue)
        self.dropped = dropped
        self.counts = Counts()
        self.make: Callable[[Path, Sequence[Column]], Any] = ParquetFile if encoding == "parquet" else CsvFile
        self.files = _in_order(kept / name)

    def written(self) -> Counts:
        """Write it; what was counted of it."""
        if self.table.unique or not self.files:
            self._unique()
        elif self.encoding == "csv":
            self._joined()
        else:
            self._parts()
        return self.counts

    @property
    def _one(self) -> Path:
        return self.out / f"{self.table.name}.{self.encoding}"

    def _unique(self) -> None:
        """One file, the first row of each value."""
        place = [column.name for column in self.columns].index(self.table.unique) if self.table.unique else 0
        file = self.make(self._one, self.columns)
        number = 0
        with Seen() as seen:
            for path in self.files:
                for rows in _batches(path, self.columns):
                    new = []
                    for row in rows:
                        number += 1
                        if seen.first(str(row[place]), number) == number:
                            new.append(row)
                    self.counts.see(new, self.columns)
                    file.write(new)
        file.close()

    def _joined(self) -> None:
        """One CSV file, the header once."""
        with self._one.open("wb") as joined:
            for path in self.files:
                source = self._without_dropped(path)
                with source.open("rb") as file:
                    header = file.readline()
                    if not joined.tell():
                        joined.write(header)
                    shutil.copyfileobj(file, joined, 1 << 20)

    def _parts(self) -> None:
        """Parquet files as they are; a single one by the table's name."""
        folder = self.out / self.table.name
        if len(self.files) > 1:
            folder.mkdir()
        for number, path in enumerate(self.files):
            target = folder / f"part-{number:05}.parquet" if len(self.files) > 1 else self._one
            os.link(self._without_dropped(path), target)

    def _without_dropped(self, path: Path) -> Path:
        """The chunk's file without the rows of exams that were taken out again, and its counts."""
        number = int(path.name.partition(".")[0])
        away = self.dropped.get(number)
        if not away:
            found = json.loads((self.kept / COUNTS / f"{number:05}").read_text(encoding="utf-8"))[self.table.name]
            statuses = {name: Counter(seen) for name, seen in found["statuses"].items()}
            self.counts.add(Counts(found["rows"], Counter(found["filled"]), statuses))
            return path
        less = self.kept / "less" / f"{self.table.name}-{path.name}"
        less.parent.mkdir(exist_ok=True)
        place = [column.name for column in self.columns].index("exam_id")
        file = self.make(less, self.columns)
        for rows in _batches(path, self.columns):
            stay = [row for row in rows if row[place] not in away]
            self.counts.see(stay, self.columns)
            file.write(stay)
        file.close()
        return less


def _batches(path: Path, columns: Sequence[Column]) -> Iterator[list[Row]]:
    if path.suffix == ".csv":
        waiting: list[Row] = []
        for row in read_rows(path, columns):
            waiting.append(row)
            if len(waiting) >= _ROWS:
                yield waiting
                waiting = []
        yield waiting
        return
    from pyarrow.parquet import ParquetFile as Reader

    with Reader(path) as reader:
        for batch in reader.iter_batches(_ROWS):
            yield list(zip(*(column.to_pylist() for column in batch.columns), strict=True))
