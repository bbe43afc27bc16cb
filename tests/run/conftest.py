"""Invented exams on the disk, and runs as processes of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from odd_works import Start

from adapter.catalogue import Catalogue
from adapter.read import read_captures
from adapter.write import write
from invented_records import records

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
COUNT = 90


@pytest.fixture(scope="session")
def lines(catalogue: Catalogue) -> list[bytes]:
    """Captures, small ones; two of them are refused."""
    found = list(records(COUNT, catalogue, seed=8, findings=8))
    found[17] = found[17].replace(b'"sex": "', b'"sex": "not ')
    found[60] = b"{this is no JSON\n"
    return found


@pytest.fixture
def captures(tmp_path: Path, lines: list[bytes]) -> Path:
    """They in a file, one a line."""
    path = tmp_path / "captures.ndjson"
    path.write_bytes(b"".join(lines))
    return path


@pytest.fixture(scope="session")
def converted(lines: list[bytes], catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> list[bytes]:
    """What converting them one by one gives."""
    path = tmp_path_factory.mktemp("whole") / "captures.ndjson"
    path.write_bytes(b"".join(lines))
    accepted = [reading.exam for reading in read_captures(path, catalogue) if reading.accepted]
    return [write(exam, catalogue, "transaction") for exam in accepted if exam is not None]


@pytest.fixture
def start(tmp_path: Path) -> Start:
    """Start a run in a process of its own: work, inputs, output, and the options of a run."""

    def begin(work: str, inputs: list[Path], out: Path, **options: Any) -> subprocess.Popen[str]:
        asked = {"work": work, "inputs": list(map(str, inputs)), "out": str(out), "most": 10, **options}
        path = os.pathsep.join((str(ROOT), str(ROOT / "tests"), str(HERE)))
        return subprocess.Popen(
            [sys.executable, str(HERE / "one_run.py"), json.dumps(asked)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": path},
            cwd=tmp_path,
        )

    return begin
