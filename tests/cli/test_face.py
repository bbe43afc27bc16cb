"""The public face: every name is there, and loads nothing before it is used."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import adapter

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("name", adapter.__all__)
def test_every_name_is_there(name: str) -> None:
    assert getattr(adapter, name) is not None
    assert name in dir(adapter)


def test_what_is_no_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        adapter.nothing  # noqa: B018


def test_the_face_loads_nothing_before_it_is_used() -> None:
    code = "import sys, adapter; print([m for m in sys.modules if m.startswith('adapter.')])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"
