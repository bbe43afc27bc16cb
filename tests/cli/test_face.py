"""The public face: every name is there, loads nothing before it is used, and the README's example runs."""

from __future__ import annotations

import re
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


def test_the_example_of_the_readme_runs() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```python\n(.*?)```", text, re.DOTALL)
    done = subprocess.run([sys.executable, "-c", example], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip().endswith("resources, 0 problems")
