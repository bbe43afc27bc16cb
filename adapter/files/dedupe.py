"""What was met before, on the disk: memory stays flat however much that is."""

from __future__ import annotations

import sqlite3
from hashlib import blake2b
from types import TracebackType


class Dedupe:
    """Texts, each with the value it was first given. Kept in a temporary file of SQLite, gone at the end."""

    def __init__(self) -> None:
        self._base = sqlite3.connect("")
        self._base.execute("create table given (key blob primary key, value) without rowid")

    def first(self, text: str, value: str | int) -> str | int:
        """The value first given for the text: this one, where it is new."""
        key = blake2b(text.encode(), digest_size=16).digest()
        found = self._base.execute("select value from given where key = ?", (key,)).fetchone()
        if found is None:
            self._base.execute("insert into given values (?, ?)", (key, value))
            return value
        first: str | int = found[0]
        return first

    def new(self, text: str) -> bool:
        """Whether the text was not given before."""
        key = blake2b(text.encode(), digest_size=16).digest()
        return self._base.execute("insert or ignore into given values (?, 0)", (key,)).rowcount == 1

    def close(self) -> None:
        """Let it go."""
        self._base.close()

    def __del__(self) -> None:
        self._base.close()

    def __enter__(self) -> Dedupe:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
