"""The same exam gives the same bytes: twice, in another process, with another seed of Python's hashes."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps
from adapter.fhir.xml import to_xml

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = """
import hashlib
from adapter.catalogue import load_catalogue
from adapter.fhir import to_bundle
from adapter.fhir.json import dumps
from adapter.derive.every_use import every_exam
catalogue = load_catalogue()
digest = hashlib.sha256()
for exam in every_exam(catalogue)[::30]:
    digest.update(dumps(to_bundle(exam, catalogue)))
print(digest.hexdigest())
"""


def test_twice(every: list[Exam], catalogue: Catalogue) -> None:
    for exam in every[1::60]:
        for kind in BundleType:
            one, other = (to_bundle(exam, catalogue, kind) for _ in range(2))
            assert dumps(one) == dumps(other)
            assert to_xml(one) == to_xml(other)


def test_in_another_process(every: list[Exam], catalogue: Catalogue) -> None:
    digest = hashlib.sha256()
    for exam in every[::30]:
        digest.update(dumps(to_bundle(exam, catalogue)))
    for seed in ("1", "20251"):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT), "TZ": "Asia/Kolkata"}
        done = subprocess.run(
            [sys.executable, "-c", PROGRAM], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
        )
        assert done.stdout.strip() == digest.hexdigest()
