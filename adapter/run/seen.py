"""What was met before, on the disk: memory stays flat however much that is."""

from __future__ import annotations

import sqlite3
from hashlib import blake2b
from types import TracebackType


class Seen:
    """Texts, each with the value it was first given. Kept in a temporary file of SQLite, gone at the end."""

    def __init__(self) -> None:
        self._base = sqlite3.connect("")
        self._base.execute("create table seen (key blob primary key, value) without rowid")

    def first(self, text: str, value: str | int) -> str | int:
        """The value first given for the text: this one, where it is new."""
        key = blake2b(text.encode(), digest_size=16).digest()
        found = self._base.execute("select value from seen where key = ?", (key,)).fetchone()
        if found is None:
            self._base.execute("insert into seen values (?, ?)", (key, value))
            return value
        first: str | int = found[0]
        return first

    def __enter__(self) -> Seen:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._base.close()
