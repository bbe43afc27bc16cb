"""The drop folder, as those see it who put files there: where its files go, and how a new one is put in.

::

    DROP/             a file is dropped here, and left alone until it is complete
    DROP/taken/       it is being worked on
    DROP/done/        every exam in it is on the server
    DROP/failed/      not every one is
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from adapter.files.whole import written

TAKEN, DONE, FAILED = "taken", "done", "failed"
REPORTS = (".report.txt", ".report.json")
"""The endings of the reports beside a file that has ended: in words, and as an OperationOutcome."""


def put(folder: Path, name: str, content: bytes) -> bool:
    """Put a file into the folder, whole and on the disk when this returns; False where the name is taken.

    It is written under a name that begins with a point, which is left alone, and never over another file nor through
    a link. Captured exams are patients' data: for their owner only. Raises ``OSError``.
    """
    try:
        with written(folder, name, content) as temporary:
            # unlike a rename, a link fails where the name exists
            os.link(temporary, folder / name, follow_symlinks=False)
    except FileExistsError:
        return False
    sync(folder)
    return True


def sync(folder: Path) -> None:
    """Put what changed in a folder on the disk."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def versions(folder: Path, name: str) -> Iterator[Path]:
    """The files of this name on their way and at their end, but for what failed: ``NAME.json``, ``NAME~2.json`` …

    In the order in which files move, so that one that moves meanwhile is not missed.
    """
    for place in (folder, folder / TAKEN, folder / DONE):
        stem, ending = os.path.splitext(name)  # noqa: PTH122 (a name, not a path)
        for path in (place / name, *sorted(place.glob(f"{stem}~*{ending}"))):
            if is_file(path):
                yield path


def is_file(path: Path) -> bool:
    """Whether it is a file of the folder's own; a link is left alone, and so is never sent."""
    return path.is_file() and not path.is_symlink()
