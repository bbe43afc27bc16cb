"""What tests fetch once into ``.cache/`` is fetched by one process of several, while the others wait for it."""

from __future__ import annotations

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

CACHE = Path(__file__).resolve().parents[1] / ".cache"


@contextmanager
def fetching(folder: Path) -> Iterator[None]:
    """Hold a folder of the cache, and make it; the lock is the system's, so that it ends with the process."""
    folder.mkdir(parents=True, exist_ok=True)
    with (CACHE / f"{folder.name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
