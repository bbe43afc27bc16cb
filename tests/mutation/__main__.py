"""``python -m tests.mutation ROOM [TESTS ...] [--count N] [--seed N]``: do the tests see a fault in a room?

In a copy of the last commit, one small change after another is made in ``adapter/ROOM`` (``changes``), and the
tests run until one fails (``inside``); ``TESTS`` are the room's as ``_TESTS`` names them, else ``tests/ROOM``. A
change that no test sees is printed with its place: either a test is missing, or the change makes no difference,
which a person decides. So is one with which the tests do not end. It asserts nothing, and takes minutes.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from tests.mutation.changes import Mutant, mutants
from tests.mutation.inside import Inside, Only

ROOT = Path(__file__).resolve().parents[2]
_TESTS = {
    "cli": ("cli", "plans", "errors"),
    "derive": ("derive", "told"),
    "document": ("document", "report"),
    "exam": ("read", "told"),
    "fhir": ("mapping", "fhir_xml"),
    "files": ("files", "watch"),
    "forms": ("questionnaire", "serve", "worksheet"),
    "send": ("send", "outbox", "mllp", "watch"),
    "write": ("report", "tables", "fhir_document", "phenopackets", "omop", "package", "deidentify", "v2", "quality"),
}
"""The tests of a room, where they are not in the folder of its name."""


def _chosen(copy: Path, room: str, count: int, seed: int, at: str | None) -> list[Mutant]:
    files = sorted((copy / "adapter" / room).rglob("*.py"))
    every = [one for path in files for one in mutants(path, path.read_text(encoding="utf-8"))]
    if at is not None:
        return [one for one in every if at == f"{one.path.name}:{one.line}"]
    return random.Random(seed).sample(every, min(count, len(every)))


def main() -> None:
    """Make the changes one by one, and say of each whether a test sees it."""
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("room")
    arguments.add_argument("tests", nargs="*")
    arguments.add_argument("--count", type=int, default=20)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--at", metavar="FILE:LINE", help="every change of this line instead")
    arguments.add_argument("--inside", type=int, help=argparse.SUPPRESS)  # in the copy: where to say what came of it
    arguments.add_argument("--only", type=Path, help=argparse.SUPPRESS)  # in a process of its own: which tests
    given = arguments.parse_args()
    if given.only is not None:
        sys.exit(pytest.main(["-x", "-q", *given.tests], plugins=[Only(given.only)]))
    if given.inside is None:
        _in_a_copy()
        return
    tests = given.tests or [f"tests/{name}" for name in _TESTS.get(given.room, (given.room,))]
    chosen = _chosen(ROOT, given.room, given.count, given.seed, given.at)
    commit = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, stdout=subprocess.PIPE, check=True).stdout
    key = hashlib.sha256(repr((commit, tests, [(one.path.name, one.start) for one in chosen])).encode()).hexdigest()
    with os.fdopen(given.inside, "w", buffering=1) as out:
        plugin = Inside(
            chosen,
            lambda text: print(f"{given.room}: {text}", file=out),
            ROOT / ".cache" / "mutation" / f"{key[:16]}.json",
        )
        sys.exit(pytest.main(["-q", *tests], plugins=[plugin]))


def _in_a_copy() -> None:
    (ROOT / ".cache").mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder).resolve() / "copy"
        subprocess.run(["git", "clone", "-q", str(ROOT), str(copy)], check=True)
        (copy / ".cache").symlink_to(ROOT / ".cache")
        os.set_inheritable(said := os.dup(1), True)
        command = [sys.executable, "-m", "tests.mutation", *sys.argv[1:], "--inside", str(said)]
        environment = {**os.environ, "PYTHONPATH": str(copy)}
        with (copy / "pytest.out").open("wb") as out:
            done = subprocess.run(
                command, cwd=copy, env=environment, stdout=out, stderr=out, close_fds=False, check=False
            )
        if done.returncode:
            sys.exit((copy / "pytest.out").read_text(errors="replace")[-2000:])


if __name__ == "__main__":
    main()
