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
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from adapter.fhir import json as fhir_json

_SCHEMA = """
CREATE TABLE IF NOT EXISTS resource (
    seq     INTEGER PRIMARY KEY AUTOINCREMENT,
    type    TEXT NOT NULL,
    id      TEXT NOT NULL,
    version INTEGER NOT NULL,
    UNIQUE (type, id)
);
CREATE TABLE IF NOT EXISTS version (
    type         TEXT NOT NULL,
    id           TEXT NOT NULL,
    version      INTEGER NOT NULL,
    last_updated TEXT NOT NULL,
    method       TEXT NOT NULL,
    body         BLOB,
    PRIMARY KEY (type, id, version)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS idx (
    type   TEXT NOT NULL,
    id     TEXT NOT NULL,
    param  TEXT NOT NULL,
    system TEXT NOT NULL DEFAULT '',
    value  TEXT NOT NULL DEFAULT '',
    low    INTEGER,
    high   INTEGER
);
CREATE INDEX IF NOT EXISTS idx_value ON idx (type, param, value, system, id);
CREATE INDEX IF NOT EXISTS idx_date ON idx (type, param, low, high, id);
CREATE INDEX IF NOT EXISTS idx_resource ON idx (id, type);
"""


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
        row = self._db.execute(
            "SELECT v.* FROM resource r JOIN version v USING (type, id, version) WHERE type = ? AND id = ?",
            (type_, id_),
        ).fetchone()
        return _version(row) if row else None

    def version(self, type_: str, id_: str, version: int) -> Version | None:
        """One version of a resource, or None."""
        row = self._db.execute(
            "SELECT * FROM version WHERE type = ? AND id = ? AND version = ?", (type_, id_, version)
        ).fetchone()
        return _version(row) if row else None

    def history(self, type_: str, id_: str) -> list[Version]:
        """All versions of a resource, newest first."""
        rows = self._db.execute("SELECT * FROM version WHERE type = ? AND id = ? ORDER BY version DESC", (type_, id_))
        return [_version(row) for row in rows]

    def put(self, type_: str, id_: str, resource: dict[str, Any], method: str) -> Version:
        """Append a version; sets ``id``, ``meta.versionId`` and ``meta.lastUpdated``; does not index."""
        number, now = self._next(type_, id_)
        meta = {**resource.get("meta", {}), "versionId": str(number), "lastUpdated": now}
        stamped = {"resourceType": type_, "id": id_, "meta": meta}
        stamped.update((k, v) for k, v in resource.items() if k not in stamped)
        self._append(type_, id_, number, now, method, fhir_json.dumps(stamped))
        return Version(type_, id_, number, now, method, stamped)

    def delete(self, type_: str, id_: str) -> Version:
        """Append a deletion and take the resource out of the index; its history stays."""
        number, now = self._next(type_, id_)
        self._append(type_, id_, number, now, "DELETE", None)
        self.index(type_, id_, ())
        return Version(type_, id_, number, now, "DELETE", None)

    def index(self, type_: str, id_: str, rows: Iterable[IndexRow]) -> None:
        """Replace all index rows of a resource."""
        self._db.execute("DELETE FROM idx WHERE type = ? AND id = ?", (type_, id_))
        self._db.executemany(
            "INSERT INTO idx (type, id, param, system, value, low, high) VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(type_, id_, r.param, r.system, r.value, r.low, r.high) for r in rows],
        )

    def ids(self, sql: str, arguments: Sequence[str | int]) -> list[str]:
        """The ids a statement made by :mod:`adapter.sandbox.search` selects."""
        return [row[0] for row in self._db.execute(sql, arguments)]

    def page(
        self, type_: str, ids: str, arguments: Sequence[str | int], after: int, count: int
    ) -> tuple[int, list[tuple[int, Version]]]:
        """How many resources match, and a page of them in order of creation, each with its place in it.

        ``ids`` is a statement selecting ids; the page holds at most ``count`` of those that come after the
        place ``after``.
        """
        total = self._db.execute(f"SELECT count(*) FROM ({ids})", arguments).fetchone()[0]  # noqa: S608
        rows = self._db.execute(
            "SELECT v.*, r.seq FROM resource r JOIN version v USING (type, id, version)"  # noqa: S608
            f" WHERE type = ? AND r.seq > ? AND id IN ({ids}) ORDER BY r.seq LIMIT ?",
            (type_, after, *arguments, count),
        )
        return total, [(row[-1], _version(row[:-1])) for row in rows]

    def _next(self, type_: str, id_: str) -> tuple[int, str]:
        row = self._db.execute("SELECT version FROM resource WHERE type = ? AND id = ?", (type_, id_)).fetchone()
        now = datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        return (row[0] + 1 if row else 1), now

    def _append(self, type_: str, id_: str, version: int, now: str, method: str, body: bytes | None) -> None:
        self._db.execute(
            "INSERT INTO resource (type, id, version) VALUES (?, ?, ?)"
            " ON CONFLICT (type, id) DO UPDATE SET version = excluded.version",
            (type_, id_, version),
        )
        self._db.execute("INSERT INTO version VALUES (?, ?, ?, ?, ?, ?)", (type_, id_, version, now, method, body))


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
            self._db.executescript(_SCHEMA)
        except sqlite3.Error:
            self._db.close()
            raise

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
    type_, id_, version, last_updated, method, body = row
    return Version(type_, id_, version, last_updated, method, None if body is None else fhir_json.loads(body))
