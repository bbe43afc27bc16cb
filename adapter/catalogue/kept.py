"""What parsing files gave, kept beside Python's own bytecode and under its rules.

Reading the YAML of the shipped catalogue costs as much as all else that a short command does. What came of it lies
where Python puts the bytecode of this module (``__pycache__``, or below ``PYTHONPYCACHEPREFIX``), and is written
unless ``PYTHONDONTWRITEBYTECODE`` is set: whoever can write there could change the program itself. It is taken only
if its seal is that of the files as they are now, so that no change of one is ever missed.
"""

from __future__ import annotations

import hashlib
import pickle
import sys
from collections.abc import Callable, Iterable
from contextlib import suppress
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any

from adapter.files.whole import write


def kept(name: str, paths: Iterable[tuple[str, Any]], make: Callable[[], Any]) -> bytes:
    """What ``make`` makes of these files (name and path), pickled; made anew where it was never made of just these.

    The files are data and the code that reads them. ``name`` tells apart what is kept. Nothing is raised for want of
    a place to keep it.
    """
    files = hashlib.sha256()
    for called, path in paths:
        content = path.read_bytes()
        files.update(f"{called}\0{len(content)}\0".encode() + content)

    def sealed(data: bytes) -> bytes:
        return hashlib.sha256(files.digest() + data).digest()

    place = Path(cache_from_source(__file__)).with_suffix(f".{name}")
    with suppress(OSError):
        found = place.read_bytes()
        seal, data = found[: files.digest_size], found[files.digest_size :]
        if seal == sealed(data):
            return data
    data = pickle.dumps(make(), protocol=pickle.HIGHEST_PROTOCOL)
    if not sys.dont_write_bytecode:
        with suppress(OSError):
            place.parent.mkdir(parents=True, exist_ok=True)
            write(place, sealed(data) + data, public=True)
    return data


def unpacked(data: bytes) -> Any:
    """What was kept, each time anew."""
    return pickle.loads(data)  # noqa: S301 (our own, and kept where the bytecode is)
