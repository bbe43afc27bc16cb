"""The names by which the reading of bundles was known."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from adapter.catalogue import Catalogue
from adapter.read.inputs import read
from adapter.read.reading import Reading


def read_exams(paths: Iterable[Path], catalogue: Catalogue) -> Iterator[Reading]:
    """See :func:`adapter.read.read`."""
    return read(paths, catalogue)


def readings_of(bundle: dict[str, Any], catalogue: Catalogue, name: str) -> Iterator[Reading]:
    """See :func:`adapter.read.read`."""
    return read(bundle, catalogue, name=name)
