"""The good resources that the corpus breaks are those of the tests of the validator."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "validate")]

from judge import missing  # noqa: E402


@pytest.fixture(scope="session")
def engine() -> None:
    """Where the reference judge cannot run, what asks it is left out, and said so."""
    if absent := missing():
        pytest.skip(f"the reference judge needs {' and '.join(absent)}, which this machine has not")
