"""The drop folder: which files are complete, and where each goes. Every step is one rename, so none is half done.

::

    DROP/             a file is dropped here, and left alone until it is complete
    DROP/taken/       it is being worked on; after a crash it is found here and worked on again
    DROP/done/        every exam in it is on the server; its report lies beside it
    DROP/failed/      not every one is; the report says which, and why

The folder is looked through at intervals. Notices from the operating system would save nothing worth having, and
they do not come at all for folders that other machines write to (network shares).
"""

from __future__ import annotations

import errno
import fcntl
import json
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType

from adapter.files.drop import DONE, FAILED, REPORTS, TAKEN, sync
from adapter.files.whole import locked, swept, write
from adapter.problems import AdapterError, ExitCode

# A file with such a name is still being written, or is some program's own (common practice).
_UNFINISHED = (".part", ".partial", ".tmp", ".crdownload", "~")


class FolderInUse(AdapterError):
    """Another process watches this folder."""

    exit_code = ExitCode.USAGE


@dataclass(slots=True)
class _Look:
    """How a file looked, and since when it has looked so (by a clock that only goes forward)."""

    shape: tuple[int, int, int]
    since: float


@dataclass(slots=True)
class DropFolder:
    """The folder at ``path``, held by one process at a time, as a context manager.

    A file is complete when nobody has had it open for writing and its size and time have stayed for ``settle``
    seconds. Names that begin with a point or end in ``.part`` or ``.tmp`` are left alone: whoever can rename
    writes under such a name first. Raises :class:`FolderInUse`, and ``OSError`` where folders cannot be made.
    """

    path: Path
    settle: float = 2.0
    _lock: int = -1
    _looks: dict[str, _Look] = field(default_factory=dict)

    @property
    def taken(self) -> Path:
        """Where a file lies while it is worked on."""
        return self.path / TAKEN

    def end(self, *, well: bool) -> Path:
        """Where files end."""
        return self.path / (DONE if well else FAILED)

    def __enter__(self) -> DropFolder:
        for folder in (self.taken, self.end(well=True), self.end(well=False)):
            # Captured exams are patients' data: for their owner only.
            folder.mkdir(mode=0o700, exist_ok=True)
        self._lock = locked(self.path / ".watch-lock")
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            os.close(self._lock)
            raise FolderInUse(f"{self.path} is watched by another process") from None
        for folder in (self.taken, self.end(well=True), self.end(well=False)):
            swept(folder)
        kept = {self._marker(path) for path in self.left()}
        for marker in self.taken.glob(".*.starts"):
            if marker not in kept:  # its file was taken away by hand
                marker.unlink(missing_ok=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._lock)  # which gives the lock up, as the end of the process would

    def waiting(self) -> list[Path]:
        """Every file that was dropped and not yet taken, the oldest first."""
        found = []
        for entry in os.scandir(self.path):
            if entry.name.startswith(".") or entry.name.endswith(_UNFINISHED):
                continue
            if entry.is_file(follow_symlinks=False):
                found.append(Path(entry.path))
        return sorted(found, key=_age)

    def complete(self) -> list[Path]:
        """Those of them that nobody is writing any more. It takes two looks to know."""
        now, before = time.monotonic(), self._looks
        self._looks = {}
        ready = []
        for path in self.waiting():
            try:
                status = path.stat()
            except OSError:
                continue  # gone again
            shape = (status.st_ino, status.st_size, status.st_mtime_ns)
            look = before.get(path.name)
            if look is None or look.shape != shape:
                look = _Look(shape, now)
            self._looks[path.name] = look
            if now - look.since >= self.settle and not _being_written(path):
                ready.append(path)
        return ready

    def take(self, path: Path) -> Path:
        """Move a file to ``taken/``, under a name that no file here has or had."""
        name = self._free_name(path)
        target = self.taken / name
        path.rename(target)
        sync(self.taken)
        return target

    def left(self) -> list[Path]:
        """The files in ``taken/``, the oldest first: at the start, what an earlier process did not finish."""
        return sorted((p for p in self.taken.iterdir() if p.is_file() and not p.name.startswith(".")), key=_age)

    def begin(self, path: Path, so_far: int) -> int:
        """Count, on the disk, that the work on a file in ``taken/`` begins: which time it is that it begins and gets
        no further than ``so_far``, a number that only grows while something comes of the work."""
        before, reached = self._starts(path)
        count = before + 1 if reached == so_far else 1
        write(self._marker(path), json.dumps([count, so_far]).encode())
        return count

    def let_go(self, path: Path, *, through: bool) -> None:
        """The work on a file has got ``through`` it, or was stopped in order: that start is not counted."""
        count, reached = self._starts(path)
        if through or count <= 1:
            self._marker(path).unlink(missing_ok=True)
        else:
            write(self._marker(path), json.dumps([count - 1, reached]).encode())

    def _marker(self, path: Path) -> Path:
        return self.taken / f".{path.name[:200]}.starts"

    def _starts(self, path: Path) -> tuple[int, int]:
        try:
            count, reached = json.loads(self._marker(path).read_bytes())
            return int(count), int(reached)
        except (OSError, ValueError, TypeError):
            return 0, -1

    def finish(self, path: Path, reports: dict[str, bytes], *, well: bool) -> Path:
        """Write the reports (by the endings in ``REPORTS``), then move the file beside them."""
        folder = self.end(well=well)
        for ending, content in reports.items():
            write(folder / f"{path.name}{ending}", content)
        target = folder / path.name
        if target.exists():  # put there by hand meanwhile
            target = folder / self._free_name(path)
        if path.exists():  # else taken away by hand; what became of its exams is in the report
            path.rename(target)
            sync(folder)
        return target

    def _free_name(self, path: Path) -> str:
        places = (self.taken, self.end(well=True), self.end(well=False))

        def used(name: str) -> bool:
            return any((place / f"{name}{ending}").exists() for place in places for ending in ("", *REPORTS))

        return next(name for name in _names(path) if not used(name))


def _names(path: Path) -> Iterator[str]:
    """``exam.json``, ``exam~2.json``, ``exam~3.json`` …"""
    yield path.name
    number = 2
    while True:
        yield f"{path.stem}~{number}{path.suffix}"
        number += 1


def _age(path: Path) -> tuple[int, str]:
    try:
        return path.stat().st_mtime_ns, path.name
    except OSError:
        return 0, path.name


def _being_written(path: Path) -> bool:
    """Whether a process of this machine has the file open for writing, where the system tells.

    Linux grants a read lease on a file only where no one has it open for writing, and only on one's own files
    (fcntl(2), F_SETLEASE).
    """
    if not hasattr(fcntl, "F_SETLEASE"):
        return False
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOFOLLOW)
    except OSError:
        return False  # gone, or not to be read: reading it will say so
    try:
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_RDLCK)
        fcntl.fcntl(handle, fcntl.F_SETLEASE, fcntl.F_UNLCK)
    except OSError as error:
        return error.errno == errno.EAGAIN  # else: no leases on this file system, or not our file
    finally:
        os.close(handle)
    return False
