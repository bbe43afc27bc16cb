"""The outbox's database: one SQLite file in WAL mode, readable by its owner only.

What is queued is on the disk before it counts as queued (``synchronous = FULL``). What becomes of it after may be
lost with the power, and is then found out again. Deleted rows are overwritten, since they hold patients' data. Kills
and power loss are SQLite's to survive: a transaction is there whole or not at all.
"""

from __future__ import annotations

import os
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from adapter.files.whole import narrow
from adapter.problems import AdapterError, ExitCode
from adapter.send.outbox.migration import from_version_1, from_version_2, from_version_3, from_version_4

#: "nxob": tells our file from any other SQLite database
_APPLICATION = 0x6E786F62
_VERSION = 5

_TABLES = """
CREATE TABLE message (
  seq INTEGER PRIMARY KEY AUTOINCREMENT,
  target TEXT NOT NULL,
  exam TEXT NOT NULL,
  root TEXT NOT NULL,
  newborn TEXT NOT NULL,
  rank INTEGER NOT NULL,
  depth INTEGER NOT NULL,
  recorded REAL,
  amends TEXT,
  follows INTEGER,
  digest TEXT NOT NULL,
  own TEXT NOT NULL,
  payload BLOB NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('waiting', 'sending', 'sent', 'dead', 'superseded')),
  attempts INTEGER NOT NULL DEFAULT 0,
  strikes INTEGER NOT NULL DEFAULT 0,
  waited REAL NOT NULL DEFAULT 0,
  due REAL NOT NULL DEFAULT 0,
  owner INTEGER,
  reasons TEXT NOT NULL DEFAULT '[]',
  parts TEXT NOT NULL DEFAULT '[]',
  queued TEXT NOT NULL,
  ended TEXT
) STRICT;
CREATE INDEX message_due ON message (target, state, due, seq);
CREATE INDEX message_ended ON message (target, ended);
CREATE INDEX message_newborn ON message (target, newborn, state, seq);
CREATE INDEX message_root ON message (target, root, exam, seq);
CREATE INDEX message_follows ON message (follows) WHERE follows IS NOT NULL;
CREATE TABLE shared (seq INTEGER NOT NULL REFERENCES message ON DELETE CASCADE, name TEXT NOT NULL,
  PRIMARY KEY (seq, name)) STRICT, WITHOUT ROWID;
CREATE INDEX shared_name ON shared (name, seq);
CREATE TABLE known (target TEXT NOT NULL, name TEXT NOT NULL, PRIMARY KEY (target, name)) STRICT, WITHOUT ROWID;
CREATE TABLE arrived (number INTEGER PRIMARY KEY AUTOINCREMENT, target TEXT NOT NULL, exam TEXT NOT NULL,
  root TEXT NOT NULL, moment TEXT NOT NULL, parts BLOB NOT NULL) STRICT;
CREATE INDEX arrived_root ON arrived (target, root, number);
"""


_GO_ON = (
    "put the file and those beside it (-wal, -shm) aside for whoever may mend them (the command sqlite3 has"
    " .recover), name a new one, and hand the exams over again; what has arrived already is not changed by that"
)


class OutboxError(AdapterError):
    """The outbox cannot be used: no place on the disk, not writable, or not an outbox. Nothing was lost."""

    exit_code = ExitCode.USAGE


def connect(path: Path) -> tuple[sqlite3.Connection, bool]:
    """Open the file, and make it where there is none; and whether others could have read it until now.

    Raises :class:`OutboxError`.
    """
    with reported(path):
        if not path.exists():
            # Made with the right mode from the start; SQLite gives its -wal and -shm the same.
            os.close(os.open(path, os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW, 0o600))
        db = sqlite3.connect(path, timeout=60, isolation_level=None, check_same_thread=False)
        try:
            _prepare(db, path)
            narrowed = _narrowed(path)
        except BaseException:
            db.close()
            raise
    return db, narrowed


def _narrowed(path: Path) -> bool:
    """Make the outbox its owner's alone; whether it was open to others."""
    changed = False
    for ending in ("", "-wal", "-shm", "-lock"):
        one = path.with_name(f"{path.name}{ending}")
        try:
            changed |= narrow(one)
        except FileNotFoundError:
            continue
        except OSError:
            raise OutboxError(
                f"{one} can be read by others and is not ours to close: its owner must (mode 0600)"
            ) from None
    return changed


def _prepare(db: sqlite3.Connection, path: Path) -> None:
    db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA secure_delete = ON")
    db.execute("BEGIN IMMEDIATE")
    application = db.execute("PRAGMA application_id").fetchone()[0]
    version = db.execute("PRAGMA user_version").fetchone()[0]
    if application == 0 and version == 0 and not db.execute("SELECT 1 FROM sqlite_schema").fetchone():
        for statement in _TABLES.split(";\n"):
            if statement.strip():
                db.execute(statement)
        db.execute(f"PRAGMA application_id = {_APPLICATION}")
        db.execute(f"PRAGMA user_version = {_VERSION}")
    elif application != _APPLICATION:
        raise OutboxError(f"{path} is a database of something else, not an outbox")
    elif version in (1, 2, 3, 4):
        try:
            if version == 1:
                from_version_1(db)
            if version < 3:
                from_version_2(db)
            if version < 4:
                from_version_3(db)
            from_version_4(db)
        except ValueError as error:
            raise OutboxError(f"the outbox {path} is damaged: {error}") from None
        db.execute(f"PRAGMA user_version = {_VERSION}")
    elif version != _VERSION:
        raise OutboxError(f"{path} is an outbox of version {version}, this program writes version {_VERSION}")
    db.execute("COMMIT")


@contextmanager
def reported(path: Path) -> Iterator[None]:
    """Faults of the disk and of SQLite in words for a person."""
    try:
        yield
    except sqlite3.Error as error:
        raise OutboxError(f"the outbox {path} {_in_words(error)}") from None
    except (ValueError, TypeError, KeyError, zlib.error, OverflowError, UnicodeError):
        # What stands in it is not what this program wrote.
        raise OutboxError(f"the outbox {path} is damaged: {_GO_ON}") from None
    except OSError as error:
        raise OutboxError(f"the outbox {path} cannot be used: {error.strerror}") from None


def _in_words(error: sqlite3.Error) -> str:
    name = getattr(error, "sqlite_errorname", "")
    if name == "SQLITE_FULL" or name.startswith(("SQLITE_IOERR_WRITE", "SQLITE_IOERR_SHMSIZE", "SQLITE_IOERR_FSYNC")):
        return "cannot be written: the disk is full or over a limit; make room and run the command again"
    if name.startswith("SQLITE_READONLY"):
        return "cannot be written: the file or its disk is read-only"
    if name.startswith("SQLITE_CANTOPEN"):
        return "cannot be opened; does the folder exist, and may it be written?"
    if name in ("SQLITE_NOTADB", "SQLITE_CORRUPT"):
        return f"is damaged or is not an outbox: {_GO_ON}"
    if name == "SQLITE_BUSY":
        return "is held by another process"
    return f"cannot be used ({name or type(error).__name__}): {_GO_ON}"
