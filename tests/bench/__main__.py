"""``python -m tests.bench [--engine]``: the speed table, each row a ratio within this run. It asserts nothing.

Processor time throughout, turn by turn, medians. *Wanted* is what the maintainers want of each row. ``--engine`` has
the standard's own validation engine judge the same bundles (Java and Maven; some minutes). How the time grows with
the number of exams is ``python -m tests.bench.bulk``; each route and stage alone, ``python -m tests.bench.routes``.
"""

from __future__ import annotations

import argparse
import os
import resource
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import orjson
from fhir.resources.R4B.bundle import Bundle

from adapter.catalogue import load_catalogue
from adapter.derive.every_use import every_exam
from adapter.fhir import to_json
from adapter.fhir.json import loads
from adapter.read import read_captures
from adapter.read import to_json as record
from adapter.validate import Validator
from tests.bench.routes import rates_of, stream

ROOT = Path(__file__).resolve().parents[2]
CAPTURE = ROOT / "examples" / "captures" / "d05-boy-weak-femorals-failed-screen.json"
RUN = [sys.executable, "-c", "from adapter.cli import main; main()"]
TURNS = 5


@dataclass(frozen=True, slots=True)
class SpeedRow:
    """One row: what was measured against what, and what is wanted of it."""

    work: str
    against: str
    measured: str
    wanted: str


def main() -> None:
    """Measure and print the table."""
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("--engine", action="store_true", help="the standard's own engine too; needs Java")
    given = arguments.parse_args()
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} when it began\n")
    print("| work | against | measured | wanted |")
    print("|---|---|---|---|", flush=True)
    for rows in (_library(), _commands(), _engine() if given.engine else ()):
        for row in rows:
            print(f"| {row.work} | {row.against} | {row.measured} | {row.wanted} |", flush=True)


def _library() -> Iterator[SpeedRow]:
    """What a program of one's own would call, against the fastest there is and against the models."""
    catalogue = load_catalogue()
    exams = [exam for exam in every_exam(catalogue) if len(exam.findings) > 100][:10]
    captures = [record(exam) for exam in exams]
    written = [to_json(exam, catalogue) for exam in exams]
    plain = [orjson.loads(one) for one in written]
    ours = [loads(one) for one in written]
    validator = Validator()

    def read_and_write(n: int) -> None:
        for reading in read_captures(stream(captures[n]), catalogue):
            assert reading.exam is not None
            to_json(reading.exam, catalogue)

    works: dict[str, Callable[[int], object]] = {
        "whole": read_and_write,
        "whole floor": lambda n: (orjson.loads(captures[n]), orjson.dumps(plain[n])),
        "to_json": lambda n: to_json(exams[n], catalogue),
        "orjson": lambda n: orjson.dumps(plain[n]),
        "route": lambda n: Bundle.model_validate(plain[n]).model_dump_json(),
        "validation": lambda n: validator.validate(ours[n]),
        "models": lambda n: Bundle.model_validate(plain[n]),
    }
    rates = rates_of(works, len(exams))

    def times(fast: str, slow: str) -> str:
        """How many times as long the slow one takes."""
        return f"{statistics.median(a / b for a, b in zip(rates[fast], rates[slow], strict=True)):.1f}"

    floor = "`orjson.loads` of the capture, `orjson.dumps` of the bundle"
    yield SpeedRow("read, check, `to_json`", floor, f"{times('whole floor', 'whole')} times as long", "12 or less")
    same = "`orjson.dumps` of the same bundle"
    yield SpeedRow("`to_json`", same, f"{times('orjson', 'to_json')} times as long", "7 or less")
    route = "fhir.resources: validate, dump"
    yield SpeedRow("`to_json`", route, f"{times('to_json', 'route')} times as fast", "80 or more")
    models = "fhir.resources: `model_validate`, structure alone"
    yield SpeedRow("validation, every layer", models, f"{times('validation', 'models')} times as fast", "6 or more")


def _commands() -> Iterator[SpeedRow]:
    """Whole processes, start included, with their bytecode kept as after an installation."""
    with tempfile.TemporaryDirectory() as folder:
        kept = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
        environment = {**kept, "PYTHONPYCACHEPREFIX": folder}

        def seconds(command: list[str]) -> float:
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(command, env=environment, cwd=folder, capture_output=True, check=False)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

        works = {
            "floor": [sys.executable, "-c", "import click, pydantic"],
            "check": [*RUN, "check", str(CAPTURE)],
            "convert": [*RUN, "convert", str(CAPTURE)],
        }
        for command in works.values():
            seconds(command)
        turns = [{name: seconds(command) for name, command in works.items()} for _ in range(TURNS)]
        for name in ("check", "convert"):
            ratio = statistics.median(turn[name] / turn["floor"] for turn in turns)
            against = "`python -c 'import click, pydantic'`"
            yield SpeedRow(f"`{name}` of one exam", against, f"{ratio:.1f} times as long", "3.5 or less")
        yield SpeedRow("demo, whole", "", f"{seconds([*RUN, 'demo']):.1f} s", "4 s or less")


def _engine() -> Iterator[SpeedRow]:
    """The engine's processor time for one bundle, warm: that of three runs through the bundles less that of one."""
    sys.path[:0] = [str(ROOT / "tests" / "reference")]
    from judge import judge

    catalogue = load_catalogue()
    exams = [exam for exam in every_exam(catalogue) if len(exam.findings) > 100][:10]
    bundles = [to_json(exam, catalogue) for exam in exams]
    ours: list[Any] = [loads(one) for one in bundles]

    def spent(times: int) -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        judge(bundles * times)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    judge(bundles[:1])
    theirs = (spent(3) - spent(1)) / (2 * len(bundles))
    validator = Validator()
    rate = statistics.median(rates_of({"ours": lambda n: validator.validate(ours[n])}, len(ours))["ours"])
    yield SpeedRow(
        "validation, every layer", "the standard's engine, warm", f"{theirs * rate:.1f} times as fast", "20"
    )


if __name__ == "__main__":
    main()
