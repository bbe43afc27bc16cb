"""A folder of files that comes into being whole or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from adapter.problems import AdapterError, ExitCode


class NotEmpty(AdapterError, ValueError):
    """The folder already holds something."""

    exit_code = ExitCode.USAGE


@contextmanager
def whole_folder(out: Path) -> Iterator[Path]:
    """A temporary folder beside ``out`` that takes its place when all has been written; its owner's alone.

    Raises :class:`NotEmpty` where ``out`` is a file or a folder that is not empty, OSError where it cannot be made.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise NotEmpty(f"{out} is not an empty folder; name a new one")
    parent = out.absolute().parent
    parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(dir=parent, prefix=f".{out.name}."))
    try:
        yield made
        for path in made.rglob("*"):
            if path.is_file():
                with path.open("rb") as file:
                    os.fsync(file.fileno())
        made.replace(out)
    finally:
        shutil.rmtree(made, ignore_errors=True)
