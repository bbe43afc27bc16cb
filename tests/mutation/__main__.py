"""``python -m tests.mutation ROOM [ROOM ...] [--tests TESTS ...] [--count N] [--seed N] [--at FILE:LINE]``: do the
tests see a fault in a room?

In a copy of the last commit, one small change after another is made in ``adapter/ROOM`` (``changes``), and the tests
that reach it run until one fails (``inside``); ``TESTS`` are the rooms' as ``_TESTS`` names them, else
``tests/ROOM``. Of a change that no test sees, either a test is missing, or it makes no difference, which a person
decides. It asserts nothing, and takes minutes. What the tests reach is kept for the same commit in ``.cache``.
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
    "catalogue": ("catalogue", "sites", "derive"),
    "cli": ("cli", "plans", "errors", "extract", "watch"),
    "derive": ("derive", "told", "mapping", "run/test_rehearsal.py", "outbox/test_version_chains.py"),
    "document": ("document", "report"),
    "exam": ("read", "told", "derive"),
    "fhir": ("mapping", "fhir_xml", "sites"),
    "files": ("files", "watch"),
    "forms": ("questionnaire", "serve", "worksheet"),
    "read": ("read", "plans", "questionnaire", "v2"),
    "run": ("run", "extract"),
    "send": ("send", "outbox", "mllp", "watch", "terminology"),
    "v2": ("v2", "mllp"),
    "write": ("report", "tables", "fhir_document", "phenopackets", "omop", "package", "deidentify", "v2", "quality"),
}
"""The tests of a room, where they are not in the folder of its name alone."""


def main() -> None:
    """Make the changes one by one, and say of each whether a test sees it."""
    arguments = argparse.ArgumentParser(description="Do the tests see a fault in a room?")
    arguments.add_argument("rooms", metavar="ROOM", nargs="*")
    arguments.add_argument("--tests", nargs="*")
    arguments.add_argument("--count", type=int, default=20, help="changes of each room")
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
    rooms = {room: _chosen(room, given.count, given.seed, given.at) for room in given.rooms}
    named = (f"tests/{name}" for room in rooms for name in _TESTS.get(room, (room,)))
    tests = given.tests or list(dict.fromkeys(named))
    with os.fdopen(given.inside, "w", buffering=1) as out:
        kept = ROOT / ".cache" / "mutation" / f"{_key(rooms, tests)}.json"
        sys.exit(pytest.main(["-q", *tests], plugins=[Inside(rooms, lambda text: print(text, file=out), kept)]))


def _chosen(room: str, count: int, seed: int, at: str | None) -> list[Mutant]:
    files = sorted((ROOT / "adapter" / room).rglob("*.py"))
    every = [one for path in files for one in mutants(path, path.read_text(encoding="utf-8"))]
    if at is not None:
        return [one for one in every if at == f"{one.path.name}:{one.line}"]
    return random.Random(seed).sample(every, min(count, len(every)))


def _key(rooms: dict[str, list[Mutant]], tests: list[str]) -> str:
    """What the first run depends on, as a name."""
    commit = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, stdout=subprocess.PIPE, check=True).stdout
    changes = [(str(one), one.start) for chosen in rooms.values() for one in chosen]
    return hashlib.sha256(repr((commit, tests, changes)).encode()).hexdigest()[:16]


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
