"""A third FHIR server that nobody here wrote: Medplum's router 4.5.2 (npm, Apache-2.0) over its repository in memory.

It needs Node 20 and npm, which fetches it once into ``.cache/``. The tests use it only where they are told to::

    TEST_SERVERS=medplum pytest tests/outbox/test_right_newborn.py
"""

from __future__ import annotations

import shutil
import subprocess
from contextlib import AbstractContextManager
from pathlib import Path

from independent_server import process_serving

from tests.fetched import CACHE, fetching

VERSION = "4.5.2"
PACKAGES = [f"@medplum/{name}@{VERSION}" for name in ("fhir-router", "core", "definitions")]
FOLDER = CACHE / f"medplum-{VERSION}"
SCRIPT = Path(__file__).resolve().parent / "medplum" / "server.mjs"


def packages() -> Path:
    """The folder of the packages. Raises RuntimeError where npm is missing or fails."""
    done = FOLDER / "installed"
    with fetching(FOLDER):
        if not done.exists():
            command = [_program("npm"), "install", "--silent", "--ignore-scripts", "--no-audit", "--no-fund"]
            result = subprocess.run(
                [*command, "--prefix", str(FOLDER), *PACKAGES], capture_output=True, text=True, check=False
            )
            if result.returncode:
                raise RuntimeError(f"npm failed:\n{result.stderr[-2000:]}")
            done.touch()
    return FOLDER


def serving(folder: Path) -> AbstractContextManager[str]:
    """The server in a process of its own: its base URL."""
    return process_serving(lambda port: [_program("node"), str(SCRIPT), str(packages()), str(port)], folder)


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise RuntimeError(f"the Medplum router needs {name} (Node 20)")
    return found
