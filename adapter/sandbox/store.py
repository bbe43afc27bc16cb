# ruff: noqa: S608 (SQL is put together from constants of this package only; every value is an argument)
"""Where the sandbox keeps resources: one SQLite database, every version of every resource, one index.

A resource is kept as the JSON text that :mod:`adapter.fhir.json` wrote, so that the digits of a decimal
survive. All reading and writing goes through a :class:`Session`: a SQLite transaction that ends whole or
not at all, so that a failed transaction bundle leaves nothing behind, and a killed process neither.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any

from adapter.fhir import json as fhir_json
from adapter.sandbox.dates import LATEST

Statement = tuple[str, Sequence[str | int]]
"""SQL and its arguments, as :mod:`adapter.sandbox.search` makes them."""

#: Written into the file; one with other tables is refused rather than misread.
_FORMAT = 2

# What is searched for by value and by time stands in two tables that are their own index: one tree to keep up
# a fact. ``updated`` is in microseconds since 1970 UTC, in whole milliseconds.
_SCHEMA = f"""
CREATE TABLE resource (
    seq     INTEGER PRIMARY KEY AUTOINCREMENT,
    type    TEXT NOT NULL,
    id      TEXT NOT NULL,
    version INTEGER NOT NULL,
    updated INTEGER NOT NULL,
    method  TEXT NOT NULL,
    body    BLOB,
    UNIQUE (type, id)
);
CREATE INDEX resource_updated ON resource (type, updated, id) WHERE body IS NOT NULL;
CREATE TABLE past (
    type    TEXT NOT NULL,
    id      TEXT NOT NULL,
    version INTEGER NOT NULL,
    updated INTEGER NOT NULL,
    method  TEXT NOT NULL,
    body    BLOB,
    PRIMARY KEY (type, id, version)
);
CREATE TABLE token (
    type   TEXT NOT NULL,
    param  TEXT NOT NULL,
    value  TEXT NOT NULL,
    system TEXT NOT NULL,
    id     TEXT NOT NULL,
    PRIMARY KEY (type, param, value, system, id)
) WITHOUT ROWID;
CREATE TABLE span (
    type  TEXT NOT NULL,
    param TEXT NOT NULL,
    low   INTEGER NOT NULL,
    high  INTEGER NOT NULL,
    id    TEXT NOT NULL,
    PRIMARY KEY (type, param, low, high, id)
) WITHOUT ROWID;
PRAGMA user_version = {_FORMAT};
"""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_COLUMNS = "type, id, version, updated, method, body"


@dataclass(frozen=True, slots=True)
class IndexRow:
    """One searchable fact of a resource: a token or reference (``system``, ``value``) or a span of time.

    ``low`` and ``high`` are microseconds since 1970 UTC, the span being ``low <= t < high``.
    """

    param: str
    system: str = ""
    value: str = ""
    low: int | None = None
    high: int | None = None

    @property
    def table(self) -> str:
        """Where it is kept."""
        return "token" if self.low is None else "span"

    def key(self, type_: str, id_: str) -> tuple[str | int | None, ...]:
        """The row of its table."""
        if self.low is None:
            return type_, self.param, self.value, self.system, id_
        return type_, self.param, self.low, self.high, id_


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a resource; ``resource`` is None for a deletion."""

    type: str
    id: str
    version: int
    last_updated: str
    method: str
    resource: dict[str, Any] | None

    @property
    def etag(self) -> str:
        """The weak ETag of this version (FHIR R4 RESTful API, section 3.1.0.1: ``W/"[vid]"``)."""
        return f'W/"{self.version}"'

    @property
    def location(self) -> str:
        """The place of this version, relative to the base."""
        return f"{self.type}/{self.id}/_history/{self.version}"


class Session:
    """What can be done inside one SQLite transaction; handed out by :meth:`Store.session`."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    def current(self, type_: str, id_: str) -> Version | None:
        """The newest version of a resource (a deletion too), or None if it never was here."""
        row = self._db.execute(f"SELECT {_COLUMNS} FROM resource WHERE type = ? AND id = ?", (type_, id_)).fetchone()
        return _version(row) if row else None

    def version(self, type_: str, id_: str, version: int) -> Version | None:
        """One version of a resource, or None."""
        return next((v for v in self.history(type_, id_) if v.version == version), None)

    def history(self, type_: str, id_: str) -> list[Version]:
        """All versions of a resource, newest first."""
        rows = self._db.execute(
            f"SELECT {_COLUMNS} FROM resource WHERE type = :type AND id = :id"
            f" UNION ALL SELECT {_COLUMNS} FROM past WHERE type = :type AND id = :id ORDER BY version DESC",
            {"type": type_, "id": id_},
        )
        return [_version(row) for row in rows]

    def put(self, type_: str, id_: str, resource: dict[str, Any], method: str) -> Version:
        """Append a version; sets ``id``, ``meta.versionId`` and ``meta.lastUpdated``; does not index."""
        number, now = self._next(type_, id_)
        meta = {**resource.get("meta", {}), "versionId": str(number), "lastUpdated": _instant(now)}
        stamped = {"resourceType": type_, "id": id_, "meta": meta}
        stamped.update((k, v) for k, v in resource.items() if k not in stamped)
        self._append(type_, id_, number, now, method, fhir_json.dumps(stamped))
        return Version(type_, id_, number, meta["lastUpdated"], method, stamped)

    def delete(self, type_: str, id_: str) -> Version:
        """Append a deletion; its history stays. Does not index."""
        number, now = self._next(type_, id_)
        self._append(type_, id_, number, now, "DELETE", None)
        return Version(type_, id_, number, _instant(now), "DELETE", None)

    def index(self, type_: str, id_: str, old: Iterable[IndexRow], new: Iterable[IndexRow]) -> None:
        """Replace the index rows of a resource, ``old``, by ``new`` ones; what is in both stays untouched."""
        before, after = set(old), set(new)
        for sql_of, rows in ((_remove, before - after), (_add, after - before)):
            for table in ("token", "span"):
                chosen = [row.key(type_, id_) for row in rows if row.table == table]
                if chosen:
                    self._db.executemany(sql_of(table), chosen)

    def ids(self, sql: str, arguments: Sequence[str | int]) -> list[str]:
        """The ids a statement made by :mod:`adapter.sandbox.search` selects."""
        return [row[0] for row in self._db.execute(sql, arguments)]

    def referring(self, type_: str, param: str, references: tuple[str, str]) -> list[str]:
        """The ids of resources of a type that refer to one of ``references`` in a parameter."""
        rows = self._db.execute(
            "SELECT DISTINCT id FROM token WHERE type = ? AND param = ? AND value IN (?, ?)",
            (type_, param, *references),
        )
        return [row[0] for row in rows]

    def changed(self, type_: str, since: int) -> list[dict[str, Any]]:
        """The resources of a type that changed after a moment, in microseconds since 1970, as they were created."""
        rows = self._db.execute(
            f"SELECT {_COLUMNS} FROM resource WHERE type = ? AND updated > ? AND body IS NOT NULL ORDER BY seq",
            (type_, since),
        )
        return [one.resource for one in map(_version, rows) if one.resource is not None]

    def page(
        self, type_: str, ids: Statement, keys: Sequence[Statement], after: Sequence[int], count: int
    ) -> tuple[int, list[tuple[tuple[int, ...], Version]]]:
        """How many resources match, and a page of them, each with its place in the order.

        ``ids`` selects the ids that match, each of ``keys`` selects ids with a number ``k`` to order by; in the end
        the order of creation decides. A place is these numbers. The page holds at most ``count`` of those that
        come after the place ``after`` (empty for the first page); what has no number comes last.
        """
        total = self._db.execute(f"SELECT count(*) FROM ({ids[0]})", ids[1]).fetchone()[0]
        joins = "".join(f" LEFT JOIN ({sql}) AS by{n} ON by{n}.id = r.id" for n, (sql, _) in enumerate(keys))
        columns = ", ".join([*(f"coalesce(by{n}.k, {LATEST}) AS k{n}" for n in range(len(keys))), "r.seq AS seq"])
        order = ", ".join([*(f"k{n}" for n in range(len(keys))), "seq"])
        later = f"WHERE ({order}) > ({', '.join('?' * len(after))})" if after else ""
        places = self._db.execute(
            f"SELECT {order} FROM (SELECT {columns} FROM resource r{joins}"
            f" WHERE r.type = ? AND r.id IN ({ids[0]})) {later} ORDER BY {order} LIMIT ?",
            (*(a for _, arguments in keys for a in arguments), type_, *ids[1], *after, count),
        ).fetchall()
        return total, [(place, self._at(place[-1])) for place in places]

    def _at(self, seq: int) -> Version:
        return _version(self._db.execute(f"SELECT {_COLUMNS} FROM resource WHERE seq = ?", (seq,)).fetchone())

    def _next(self, type_: str, id_: str) -> tuple[int, int]:
        row = self._db.execute("SELECT version FROM resource WHERE type = ? AND id = ?", (type_, id_)).fetchone()
        now = (datetime.now(UTC) - _EPOCH) // timedelta(milliseconds=1) * 1000
        return (row[0] + 1 if row else 1), now

    def _append(self, type_: str, id_: str, version: int, now: int, method: str, body: bytes | None) -> None:
        if version == 1:
            self._db.execute(
                f"INSERT INTO resource ({_COLUMNS}) VALUES (?, ?, 1, ?, ?, ?)", (type_, id_, now, method, body)
            )
            return
        self._db.execute(f"INSERT INTO past SELECT {_COLUMNS} FROM resource WHERE type = ? AND id = ?", (type_, id_))
        self._db.execute(
            "UPDATE resource SET version = ?, updated = ?, method = ?, body = ? WHERE type = ? AND id = ?",
            (version, now, method, body, type_, id_),
        )


class Store:
    """The database: ``Store(None)`` lives in memory, ``Store(path)`` in a file (WAL).

    Safe to use from many threads, and a file from many processes: one transaction runs at a time. Raises
    ``sqlite3.DatabaseError`` if the file is not a database, ``sqlite3.OperationalError`` if it cannot be
    opened.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._lock = threading.RLock()
        self._db = sqlite3.connect(
            path if path is not None else ":memory:", timeout=30, isolation_level=None, check_same_thread=False
        )
        try:
            if path is not None:
                self._db.execute("PRAGMA journal_mode = WAL")
                # A killed process loses nothing; a machine without power may lose the last transactions.
                self._db.execute("PRAGMA synchronous = NORMAL")
            self._prepare()
        except sqlite3.Error:
            self._db.close()
            raise

    def _prepare(self) -> None:
        """Make the tables in a new file; refuse one with other tables."""
        with self.session():
            format_ = self._db.execute("PRAGMA user_version").fetchone()[0]
            tables = self._db.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]
            if tables and format_ != _FORMAT:
                raise sqlite3.DatabaseError("it holds other tables than this version's; name a new file")
            if not tables:
                for statement in filter(str.strip, _SCHEMA.split(";")):
                    self._db.execute(statement)

    @contextmanager
    def session(self) -> Iterator[Session]:
        """One transaction: kept when the block ends, undone whole when it raises."""
        with self._lock:
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield Session(self._db)
                self._db.execute("COMMIT")
            except BaseException:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                raise

    def backup(self) -> bytes:
        """All of it, as it is now."""
        with self._lock:
            return self._db.serialize()

    def restore(self, backup: bytes) -> None:
        """All of it, as it was in a backup (of a store in memory)."""
        with self._lock:
            self._db.deserialize(backup)

    def close(self) -> None:
        """Close the database; the store cannot be used afterwards."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _version(row: Sequence[Any]) -> Version:
    type_, id_, version, updated, method, body = row
    return Version(type_, id_, version, _instant(updated), method, None if body is None else fhir_json.loads(body))


def _instant(microseconds: int) -> str:
    """A FHIR instant in UTC, to the millisecond."""
    when = _EPOCH + timedelta(microseconds=microseconds)
    return when.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _add(table: str) -> str:
    return f"INSERT OR IGNORE INTO {table} VALUES (?, ?, ?, ?, ?)"


def _remove(table: str) -> str:
    columns = "value = ? AND system" if table == "token" else "low = ? AND high"
    return f"DELETE FROM {table} WHERE type = ? AND param = ? AND {columns} = ? AND id = ?"
