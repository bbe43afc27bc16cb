"""A server to send to and a folder to drop files in; all data are the invented examples."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from adapter.sandbox import Store, running


@pytest.fixture
def base() -> Iterator[str]:
    with Store() as store, running(store) as url:
        yield url


@pytest.fixture
def drop(tmp_path: Path) -> Path:
    made = tmp_path / "drop"
    made.mkdir()
    return made


@pytest.fixture
def outbox(tmp_path: Path) -> Path:
    return tmp_path / "outbox.db"
