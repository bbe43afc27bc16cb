"""The commands as a user meets them: their own process, files in a folder."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from command_line import ROOT, Run


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

    def command(*arguments: str, stdin: bytes = b"", **environment: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            [sys.executable, "-c", "from adapter.cli import main; main()", *arguments],
            input=stdin,
            capture_output=True,
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
            timeout=120,
        )

    return command
