"""Tables in one SQLite file: a table each with typed columns, keys and indexes, and their dictionary beside them.

Text is TEXT as it is, a number REAL (a double: fifteen digits of it are exact), an integer INTEGER, yes and no 1 and
0; a moment is TEXT in ISO 8601, in UTC with its ``Z``, as SQLite's own functions of date and time read it. What is
absent is NULL. Source: sqlite.org, Datatypes In SQLite; Date And Time Functions.
"""

from __future__ import annotations

import csv
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

from adapter.problems import AdapterError, ExitCode
from adapter.write.tables.column import Column, Row, Type
from adapter.write.tables.keys import KEYS, leads
from adapter.write.tables.spreadsheet import cell

DATABASE = "tables.sqlite"
"""The file in the folder of an extract."""
_MOST_COLUMNS = 2000
_INDEXED = ("newborn_id", "item")
_TYPES = {Type.INTEGER: "INTEGER", Type.DECIMAL: "REAL", Type.BOOLEAN: "INTEGER"}
_MADE: dict[Type, Callable[[Any], Any]] = {
    Type.DECIMAL: float,
    Type.BOOLEAN: int,
    Type.INSTANT: cell,
    Type.DATE: cell,
    Type.LOCAL: cell,
}


class TooWide(AdapterError, ValueError):
    """A table with more columns than SQLite can hold."""

    exit_code = ExitCode.USAGE


def check_width(name: str, columns: Sequence[Column]) -> None:
    """Raises :class:`TooWide`."""
    if len(columns) > _MOST_COLUMNS:
        raise TooWide(f"table {name} has {len(columns)} columns, and SQLite {_MOST_COLUMNS}: write csv or parquet")


class SqliteFile:
    """One table of the database in ``folder``; each call of :meth:`write` is a transaction.

    ``present``: the tables that it will have, so that keys lead to these alone.
    """

    def __init__(self, folder: Path, name: str, columns: Sequence[Column], present: Sequence[str]) -> None:
        self._made = [(place, _MADE[c.type]) for place, c in enumerate(columns) if c.type in _MADE]
        self._insert = f"insert into {name} values ({', '.join('?' * len(columns))})"  # noqa: S608 (names of ours)
        self._base = _opened(folder)
        self._base.execute(f"create table {name} ({', '.join(_definitions(name, columns, present))})")
        for column in columns:
            if column.name in _INDEXED and KEYS[name][0] != column.name:
                self._base.execute(f"create index {name}_by_{column.name} on {name} ({column.name})")

    def write(self, rows: Iterable[Row]) -> None:
        """Append rows."""
        with self._base:
            self._base.executemany(self._insert, map(self._stored, rows))

    def _stored(self, row: Row) -> list[Any]:
        cells = list(row)
        for place, make in self._made:
            if cells[place] is not None:
                cells[place] = make(cells[place])
        return cells

    def close(self) -> None:
        """Finish the table."""
        self._base.close()


def _opened(folder: Path) -> sqlite3.Connection:
    """Without a journal: what is not whole is thrown away with its folder."""
    base = sqlite3.connect(folder / DATABASE)
    base.execute("pragma journal_mode = off")
    base.execute("pragma synchronous = off")
    return base


def _definitions(name: str, columns: Sequence[Column], present: Sequence[str]) -> Iterator[str]:
    key = KEYS[name]
    for column in columns:
        yield f'"{column.name}" {_TYPES.get(column.type, "TEXT")}{" not null" * (column.name in key)}'
    yield f"primary key ({', '.join(key)})"
    if (found := leads(name, present)) is not None:
        fields, target = found
        yield f"foreign key ({', '.join(fields)}) references {target} ({', '.join(fields)})"


def write_sqlite_dictionary(folder: Path, headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """The table ``dictionary`` of the database in a folder, where there is one."""
    if not (folder / DATABASE).is_file():
        return
    with closing(_opened(folder)) as base, base:
        columns = ", ".join(f'"{name}" TEXT' for name in headings)
        base.execute(f'create table dictionary ({columns}, primary key ("table", "column"))')
        marks = ", ".join("?" * len(headings))
        base.executemany(f"insert into dictionary values ({marks})", rows)  # noqa: S608


def _reading(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)


def columns_in(path: Path, name: str) -> list[str]:
    """The columns of a table, none where there is no such table.

    Raises ``sqlite3.DatabaseError`` where the file is none of SQLite.
    """
    with closing(_reading(path)) as base:
        return [found for (found,) in base.execute("select name from pragma_table_info(?) order by cid", (name,))]


def sqlite_rows(path: Path, name: str, columns: Sequence[str]) -> Iterator[tuple[Any, ...]]:
    """These columns of a table, in the order in which its rows were written."""
    chosen = ", ".join(f'"{column}"' for column in columns)
    with closing(_reading(path)) as base:
        yield from base.execute(f"select {chosen} from {name} order by rowid")  # noqa: S608 (names of ours)


def as_csv_files(folder: Path, names: Sequence[str], into: Path) -> None:
    """Tables of the database as CSV, for a program that reads no SQLite."""
    for name in names:
        columns = columns_in(folder / DATABASE, name)
        with (into / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(columns)
            writer.writerows(sqlite_rows(folder / DATABASE, name, columns))
