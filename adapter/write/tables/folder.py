"""The tables of an extract row by row, as text, whichever form they have."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from sqlite3 import DatabaseError

from adapter.problems import AdapterError, ExitCode
from adapter.write.tables.arrow import arrow
from adapter.write.tables.spreadsheet import unguarded
from adapter.write.tables.sqlite import DATABASE, columns_in, sqlite_rows

TextRow = dict[str, str]


class NoTables(AdapterError, ValueError):
    """A folder without the tables of an extract, or with tables that are not ours."""

    exit_code = ExitCode.USAGE


def rows(folder: Path, name: str, needed: Sequence[str], wanted: Sequence[str] = ()) -> Iterator[TextRow]:
    """The rows of a table with these columns, an empty cell as an empty text; of ``wanted`` those that are there.

    Raises :class:`NoTables` where there is no such table or it lacks one of those ``needed``.
    """
    single = folder / f"{name}.csv"
    if single.is_file():
        yield from _csv(single, needed, wanted)
        return
    if (folder / DATABASE).is_file():
        yield from _sqlite(folder / DATABASE, name, needed, wanted)
        return
    parts = [folder / f"{name}.parquet", *sorted((folder / name).glob("part-*.parquet"))]
    parts = [part for part in parts if part.is_file()]
    if not parts:
        raise _none(folder, name)
    for part in parts:
        yield from _parquet(part, needed, wanted)


def _csv(path: Path, needed: Sequence[str], wanted: Sequence[str]) -> Iterator[TextRow]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        reader = csv.reader(file)
        try:
            heading = next(reader, [])
            places = {column: heading.index(column) for column in _columns(path, heading, needed, wanted)}
            for row in reader:
                if len(row) != len(heading):
                    raise NoTables(f"{path}, line {reader.line_num}: {len(row)} cells under {len(heading)} headings")
                yield {column: unguarded(row[place]) for column, place in places.items()}
        except (csv.Error, UnicodeDecodeError):
            raise NoTables(f"{path} is not CSV in UTF-8 as the extract wrote it") from None


def _parquet(path: Path, needed: Sequence[str], wanted: Sequence[str]) -> Iterator[TextRow]:
    arrow()
    from pyarrow import ArrowException
    from pyarrow.parquet import ParquetFile

    try:
        with ParquetFile(path) as file:
            columns = _columns(path, file.schema_arrow.names, needed, wanted)
            for batch in file.iter_batches(columns=columns):
                for row in batch.to_pylist():
                    yield {name: "" if value is None else str(value) for name, value in row.items()}
    except ArrowException:
        raise NoTables(f"{path} is not a Parquet file as the extract wrote it") from None


def _sqlite(path: Path, name: str, needed: Sequence[str], wanted: Sequence[str]) -> Iterator[TextRow]:
    try:
        there = columns_in(path, name)
        if not there:
            raise _none(path.parent, name)
        columns = _columns(path, there, needed, wanted)
        for row in sqlite_rows(path, name, columns):
            yield {name: "" if value is None else str(value) for name, value in zip(columns, row, strict=True)}
    except DatabaseError:
        raise NoTables(f"{path} is not a SQLite file as the extract wrote it") from None


def _none(folder: Path, name: str) -> NoTables:
    return NoTables(f"{folder} has no table {name}: an extract with --forms tables and --table {name} is needed")


def _columns(path: Path, there: Sequence[str], needed: Sequence[str], wanted: Sequence[str]) -> list[str]:
    if missing := [column for column in needed if column not in there]:
        raise NoTables(f"{path} has no column {', '.join(missing)}: it is no table of this adapter")
    return [*needed, *(column for column in wanted if column in there and column not in needed)]
