"""``python -m tests.bench.bulk [--findings N] [--spark]``: many invented exams through the commands.

Convert, validate and extract at three sizes by two processes, and at the middle one by one: time, memory of all
processes together (the sum of what is resident, and of what is shared in proportion, sampled), and whether time grows
with the size. It prints tables and asserts nothing. Linux only (proc(5)).
"""

from __future__ import annotations

import argparse
import contextlib
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from adapter.catalogue import load_catalogue
from tests.invented_records import FINDINGS, records

_COMMAND = [sys.executable, "-c", "from adapter.cli import main; main()"]
_EVERY = 0.1


@dataclass(frozen=True, slots=True)
class Measured:
    """Seconds of the clock and of processors; the most memory at once in MB: resident, and in proportion."""

    seconds: float
    processor: float
    resident: float
    proportional: float


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--findings", type=int, default=1_000_000)
    parser.add_argument("--folder", type=Path, help="where some 4 GB may stand for 1,000,000 findings")
    parser.add_argument("--spark", action="store_true", help="Spark beside it, at the smallest size")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=asked.folder) as folder:
        _measure(Path(folder), asked.findings, asked.spark)


def _measure(folder: Path, findings: int, with_spark: bool) -> None:
    whole = -(-findings // FINDINGS)
    sizes = [max(1, whole // part) for part in (4, 2, 1)]
    print(f"{os.cpu_count()} processors, load {os.getloadavg()[0]:.1f} when it began; {FINDINGS} findings an exam\n")
    print("| | findings | processes | seconds | findings a second | processor s | memory MB (in proportion) |")
    print("|---|---|---|---|---|---|---|", flush=True)
    taken: dict[tuple[str, int, int], float] = {}
    for size in sizes:
        captures = folder / "captures.ndjson"
        _write(captures, size)
        for jobs in (2, 1) if size == sizes[1] else (2,):
            for name, measured in _commands(folder, captures, jobs):
                taken[name, size, jobs] = measured.seconds
                rate = size * FINDINGS / measured.seconds
                memory = f"{measured.resident:.0f} ({measured.proportional:.0f})"
                print(
                    f"| {name} | {size * FINDINGS:,} | {jobs} | {measured.seconds:.1f} | {rate:,.0f} "
                    f"| {measured.processor:.1f} | {memory} |",
                    flush=True,
                )
        if with_spark and size == sizes[0]:
            _spark(folder, captures, size)
    _compared(taken, sizes)


def _compared(taken: dict[tuple[str, int, int], float], sizes: list[int]) -> None:
    print("\n| | time for twice, four times the size | one process / two |")
    print("|---|---|---|")
    for name in dict.fromkeys(name for name, _, _ in taken):
        first = taken[name, sizes[0], 2]
        growth = ", ".join(f"{taken[name, size, 2] / first:.2f}" for size in sizes[1:])
        print(f"| {name} | {growth} | {taken[name, sizes[1], 1] / taken[name, sizes[1], 2]:.2f} |")


def _write(path: Path, count: int) -> None:
    with path.open("wb") as file:
        file.writelines(records(count, load_catalogue()))


def _commands(folder: Path, captures: Path, jobs: int) -> Iterator[tuple[str, Measured]]:
    """The three commands, one after the other; what they wrote is deleted."""
    bundles, problems, tables = folder / "bundles.ndjson", folder / "problems.ndjson", folder / "tables"
    many = ["--jobs", str(jobs), "--quiet"]
    yield "convert", _run(["convert", str(captures), "--out", str(bundles), *many])
    yield "validate", _run(["validate", str(bundles), "--out", str(problems), *many])
    bundles.unlink()
    yield "extract", _run(["extract", str(captures), "--format", "parquet", "--out", str(tables), *many])
    shutil.rmtree(tables)


def _run(arguments: list[str]) -> Measured:
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    process = subprocess.Popen([*_COMMAND, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE)
    peak = (0.0, 0.0)
    while process.poll() is None:
        now = _memory(process.pid)
        peak = max(peak[0], now[0]), max(peak[1], now[1])
        time.sleep(_EVERY)
    seconds, after = time.monotonic() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    assert process.stderr is not None
    said = process.stderr.read().decode()
    process.stderr.close()
    if process.returncode != 0:
        sys.exit(f"{' '.join(arguments)} ended with {process.returncode}: {said}")
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Measured(seconds, used, *peak)


def _memory(pid: int) -> tuple[float, float]:
    """Resident and proportional memory of a process and all below it, in MB."""
    resident = proportional = 0.0
    for one in _tree(pid):
        with contextlib.suppress(OSError):
            for line in Path(f"/proc/{one}/smaps_rollup").read_text().splitlines():
                if line.startswith("Rss:"):
                    resident += int(line.split()[1]) / 1024
                elif line.startswith("Pss:"):
                    proportional += int(line.split()[1]) / 1024
    return resident, proportional


def _tree(pid: int) -> Iterator[int]:
    yield pid
    with contextlib.suppress(OSError):
        for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split():
            yield from _tree(int(child))


def _spark(folder: Path, captures: Path, size: int) -> None:
    """Local Spark on two cores: what it takes to start, then bundles and tables as Parquet."""
    from adapter.run import spark
    from adapter.write.tables import TABLES
    from tests.spark.__main__ import session

    began = time.monotonic()
    engine = session(folder)
    given = spark.captures(engine, str(captures)).repartition(8).cache()
    given.count()
    rows = [("Spark: start, read", time.monotonic() - began)]
    began = time.monotonic()
    spark.bundles(given).write.parquet(str(folder / "spark-bundles"))
    rows.append(("Spark: bundles", time.monotonic() - began))
    began = time.monotonic()
    for name in TABLES:
        spark.table(given, name).write.parquet(str(folder / f"spark-{name}"))
    rows.append(("Spark: tables", time.monotonic() - began))
    memory = _memory(os.getpid())
    engine.stop()
    for name, seconds in rows:
        rate, most = size * FINDINGS / seconds, f"{memory[0]:.0f} ({memory[1]:.0f})"
        print(f"| {name} | {size * FINDINGS:,} | 2 | {seconds:.1f} | {rate:,.0f} | | {most} |", flush=True)


if __name__ == "__main__":
    main()
