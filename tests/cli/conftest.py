"""The commands as a user meets them, with files in a folder."""

from __future__ import annotations

import shutil
from functools import partial
from pathlib import Path

import pytest

from commands import ROOT, Run, run_here, run_process


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the files that the examples in the help texts name."""
    shutil.copy(ROOT / "examples/captures/d05-boy-weak-femorals-failed-screen.json", tmp_path / "exam.json")
    shutil.copy(ROOT / "examples/exams.csv", tmp_path / "exams.csv")
    shutil.copy(ROOT / "examples/bundles/d05-boy-weak-femorals-failed-screen.json", tmp_path / "bundle.json")
    (tmp_path / "captures").mkdir()
    shutil.copy(tmp_path / "exam.json", tmp_path / "captures" / "one.json")
    (tmp_path / "bundles").mkdir()
    shutil.copy(tmp_path / "bundle.json", tmp_path / "bundles" / "one.json")
    shutil.copytree(ROOT / "examples/sites/kestrel-vale", tmp_path / "my-ward")
    return tmp_path


@pytest.fixture
def run(folder: Path) -> Run:
    """Run ``newborn-adapter`` with arguments, in the folder."""
    return partial(run_here, folder=folder)


@pytest.fixture
def process(folder: Path) -> Run:
    """The same in a process of its own."""
    return partial(run_process, folder=folder)
