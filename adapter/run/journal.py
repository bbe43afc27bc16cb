"""What a run has finished, on the disk, so that it can go on after any interruption.

The journal's first line says which run this is: the work, the inputs, the catalogue. Each further line is one chunk
that is wholly in the outputs: its digest, how long each output was after it, and the counts so far. A chunk that has
no line did not happen: what it left in the outputs is cut off when the run goes on. A line torn by an interruption
does not count. This holds for processes and full disks; after a loss of power the lengths are compared with what is
there.
"""

from __future__ import annotations

import fcntl
import json
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from adapter.run.pieces import Chunk
from adapter.run.work import RunError, Tally

_NAME = "journal.ndjson"


@dataclass(frozen=True, slots=True)
class ChunkEntry:
    """A finished chunk, the counts so far, and how long each output was after it."""

    number: int
    digest: str
    tally: Tally
    lengths: dict[str, int]


class RunJournal:
    """The journal in a run's folder, held by one process at a time. Raises :class:`RunError`, ``OSError``."""

    def __init__(self, folder: Path, identity: dict[str, Any]) -> None:
        folder.mkdir(mode=0o700, exist_ok=True)
        self._file: BinaryIO = (folder / _NAME).open("a+b")
        try:
            try:
                fcntl.lockf(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise RunError(f"another process is at work in {folder}") from None
            self.last, self.pending, self.whole = self._read(folder, identity)
        except BaseException:
            self._file.close()
            raise

    def close(self) -> None:
        """Let another process have it."""
        self._file.close()

    def _read(self, folder: Path, identity: dict[str, Any]) -> tuple[ChunkEntry | None, list[str], Tally | None]:
        self._file.seek(0)
        first = self._file.readline()
        head, same = _line(first), json.loads(json.dumps(identity))
        if head != same and next(self.finished(), None) is None:
            _clear(folder)
            self._file.truncate(0)
            self._add(identity)
            return None, [], None
        if head is None or head != same:
            differs = ", ".join(key for key in identity if (head or {}).get(key) != same[key])
            raise RunError(
                f"{folder} holds an unfinished run with other {differs}: finish that one with the command it began "
                "with, or delete the folder"
            )
        last, pending, whole, end = None, list[str](), None, len(first)
        for line in self._file:
            found = _line(line)
            if found is None:
                break
            end += len(line)
            whole = Tally.from_dict(found["whole"]) if "whole" in found else None
            pending = found.get("files", [])
            if "chunk" in found:
                lengths = {str(name): int(length) for name, length in found["lengths"].items()}
                last = ChunkEntry(found["chunk"], found["digest"], Tally.from_dict(found["tally"]), lengths)
        self._file.truncate(end)
        return last, pending, whole

    def finished(self) -> Iterator[tuple[int, str]]:
        """Number and digest of every finished chunk, in order."""
        with Path(self._file.name).open("rb") as file:
            for line in file:
                found = _line(line)
                if found and "chunk" in found:
                    yield found["chunk"], found["digest"]

    def add(self, chunk: Chunk, tally: Tally, lengths: dict[str, int]) -> None:
        """The chunk is wholly in the outputs."""
        self._add({"chunk": chunk.number, "digest": chunk.digest, "tally": tally.as_dict(), "lengths": lengths})

    def adding(self, files: list[str]) -> None:
        """These files are about to be added, and were not there before."""
        self._add({"files": files})

    def all_done(self, tally: Tally) -> None:
        """Every chunk is in; what is left is to give the outputs their names."""
        self._add({"whole": tally.as_dict()})
        os.fsync(self._file.fileno())

    def _add(self, entry: dict[str, Any]) -> None:
        self._file.write(json.dumps(entry, separators=(",", ":")).encode() + b"\n")
        self._file.flush()


def _clear(folder: Path) -> None:
    """Take away what a run left that had finished nothing."""
    for path in folder.iterdir():
        if path.is_dir():
            shutil.rmtree(path)
        elif path.name != _NAME:
            path.unlink()


def _line(line: bytes) -> dict[str, Any] | None:
    if not line.endswith(b"\n"):
        return None
    try:
        found = json.loads(line)
    except ValueError:
        return None
    return found if isinstance(found, dict) else None
