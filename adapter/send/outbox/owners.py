"""Leases that live as long as their process.

A sender holds one byte of a lock file beside the outbox, at a place that is its number. The operating system
gives the byte up when the process ends, however it ends: what a killed process was sending is free at once,
and what a living one is sending never is. No clock takes part. (POSIX record locks, fcntl; all processes are
on one machine, as SQLite's WAL asks as well.)
"""

from __future__ import annotations

import fcntl
import os
import secrets
import threading
from pathlib import Path

from adapter.files.whole import locked

_GUARD = threading.Lock()
#: One descriptor a file and process: closing any descriptor of a file gives up all of the process's locks on it.
_FILES: dict[tuple[int, Path], int] = {}
_OURS: dict[tuple[int, Path], set[int]] = {}


class Owners:
    """Who is sending from the outbox at ``path``. Raises ``OSError`` where the lock file cannot be used."""

    def __init__(self, path: Path) -> None:
        self._path = path.with_name(f"{path.name}-lock").absolute()

    def enter(self) -> int:
        """A new owner, alive until :meth:`leave` or the end of the process."""
        with _GUARD:
            number = secrets.randbelow(2**60) + 1
            fcntl.lockf(self._file(), fcntl.LOCK_EX | fcntl.LOCK_NB, 1, number)
            _OURS.setdefault(self._key(), set()).add(number)
            return number

    def leave(self, number: int) -> None:
        """The owner is done."""
        with _GUARD:
            ours = _OURS.get(self._key(), set())
            if number in ours:
                ours.discard(number)
                fcntl.lockf(self._file(), fcntl.LOCK_UN, 1, number)

    def alive(self, number: int) -> bool:
        """Whether the owner's process still lives and has not left."""
        with _GUARD:
            if number in _OURS.get(self._key(), set()):
                return True
            try:
                fcntl.lockf(self._file(), fcntl.LOCK_EX | fcntl.LOCK_NB, 1, number)
            except OSError:
                return True
            fcntl.lockf(self._file(), fcntl.LOCK_UN, 1, number)
            return False

    def _key(self) -> tuple[int, Path]:
        return os.getpid(), self._path

    def _file(self) -> int:
        key = self._key()
        if key not in _FILES:
            _FILES[key] = locked(self._path)
        return _FILES[key]
