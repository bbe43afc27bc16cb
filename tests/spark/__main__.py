"""``python -m tests.spark [--cluster]``: Spark against this machine alone, row by row (Java 17, the extra ``spark``).

Local Spark has its executors in the driver's process; ``--cluster``: a driver, and two workers of one core and
1024 MB each in processes of their own, between which everything is sent.

Invented exams, some of them wrong, amended, retracted or given twice, go through :mod:`adapter.run.spark` and
through :func:`adapter.run.run`; everything that comes out must be the same, every value with its type and digits.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow.dataset
from pyspark.sql import DataFrame, SparkSession

from adapter.catalogue import load_catalogue
from adapter.fhir import by_id, to_resources, with_id
from adapter.fhir.json import dumps
from adapter.read import read_captures
from adapter.run import run, spark
from adapter.run.convert import Convert
from adapter.run.extract import Extract
from adapter.run.validate import Validate
from adapter.write.tables import TABLES
from tests.invented_records import records

COUNT = 64
Same = Iterator[tuple[str, "Counter[Any]", "Counter[Any]"]]


CLUSTER = "local-cluster[2,1,1024]"


def session(folder: Path, cores: int = 2, master: str = "") -> SparkSession:
    """Local Spark, or that of ``master``, with Python workers of this interpreter."""
    os.environ["PYSPARK_PYTHON"] = os.environ["PYSPARK_DRIVER_PYTHON"] = sys.executable
    root = str(Path(__file__).parents[2])
    os.environ["PYTHONPATH"] = os.pathsep.join([root, os.environ.get("PYTHONPATH", "")])
    builder = SparkSession.builder.master(master or f"local[{cores}]").appName("newborn-exam-adapter")
    for key, value in {
        "spark.ui.enabled": "false",
        "spark.ui.showConsoleProgress": "false",
        "spark.sql.session.timeZone": "UTC",
        "spark.sql.shuffle.partitions": str(cores),
        "spark.driver.bindAddress": "127.0.0.1",
        "spark.driver.host": "127.0.0.1",
        "spark.local.dir": str(folder / "spark"),
        "spark.sql.warehouse.dir": str(folder / "warehouse"),
        "spark.log.level": "ERROR",
    }.items():
        builder = builder.config(key, value)
    return builder.getOrCreate()


def write_captures(path: Path) -> None:
    """Invented exams: two wrong, one amended twice, one retracted, one given twice, one told of."""
    lines = list(records(COUNT, load_catalogue(), seed=5, findings=30))
    lines[17] = lines[17].replace(b'"sex": "', b'"sex": "not ')
    lines[60] = b"{this is no JSON\n"
    lines[9] = _told(lines[9])
    changed = [
        _changed(lines[3], "amended-3", "amended", "invented-0000003", "2026-11-01T08:00:00Z"),
        _changed(lines[3], "amended-3-again", "amended", "invented-0000003", "2026-11-01T09:00:00Z"),
        _changed(lines[5], "gone-5", "entered-in-error", "invented-0000005", "2026-11-01T10:00:00Z"),
        lines[8],
    ]
    path.write_bytes(b"".join([*lines, *changed]))


def _changed(line: bytes, exam_id: str, status: str, amends: str, recorded: str) -> bytes:
    record = json.loads(line)
    record["exam"] |= {"id": exam_id, "status": status, "amends": amends, "reason": "Invented", "recorded": recorded}
    return json.dumps(record).encode() + b"\n"


def _told(line: bytes) -> bytes:
    record = json.loads(line)
    to = {"name": "Dr N. Invented", "role": "physician"}
    record["told"] = [{"line": "femoral_pulse.weak/left", "at": record["exam"]["started"], "to": to}]
    return json.dumps(record).encode() + b"\n"


def main() -> int:
    """Compare; 1 where anything differs."""
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        source = here / "captures.ndjson"
        write_captures(source)
        engine = session(here, master=CLUSTER if "--cluster" in sys.argv else "")
        try:
            different = 0
            for name, ours, theirs in compared(engine, source, here):
                same = ours == theirs and ours.total() > 0
                different += not same
                print(f"{'same' if same else 'DIFFERENT'}  {ours.total():>7} rows  {name}", flush=True)
                for row in list((ours - theirs) + (theirs - ours))[: 0 if same else 4]:
                    print(f"    {'here only ' if row in ours - theirs else 'Spark only'} {row}"[:2000])
        finally:
            engine.stop()
    return 1 if different else 0


def compared(engine: SparkSession, source: Path, here: Path) -> Same:
    """Each kind of output: its name, the rows of this machine, those of Spark."""
    given = _given(engine, source, here)
    yield "bundles", _bundles_here(source, here), Counter(row.bundle for row in spark.bundles(given).collect())
    yield "resources", _resources_here(source), Counter(map(tuple, spark.observations(given, types=()).collect()))
    wrong = spark.problems(given).select("path", "line", "severity", "rule", "what", "where")
    yield "problems of captures", _problems_here(source), Counter(map(tuple, wrong.collect()))
    yield "problems of bundles", *_validated(engine, here)
    order = ("path", "line")
    standing = spark.current(given, order=order)
    out = here / "tables"
    run(Extract(encoding="parquet"), [source], out, jobs=1)
    for name in TABLES:
        written = str(here / f"spark-{name}")
        spark.table(standing, name, order=order).write.parquet(written)
        there = engine.read.parquet(written)
        assert there.columns == [column.name for column in TABLES[name].columns(load_catalogue())]
        yield f"table {name}, by way of Parquet", _table_here(out, name), Counter(map(_plain, there.collect()))


def _given(engine: SparkSession, source: Path, here: Path) -> DataFrame:
    """The captures as Parquet with the number of each line, read in four partitions."""
    lines = [(str(source), n, line.decode()) for n, line in enumerate(source.read_bytes().splitlines(), 1)]
    schema = "path string, line long, record string"
    engine.createDataFrame(lines, schema).repartition(4).write.parquet(str(here / "captures.parquet"))
    return engine.read.parquet(str(here / "captures.parquet"))


def _bundles_here(source: Path, here: Path) -> Counter[Any]:
    run(Convert(), [source], here / "bundles.ndjson", jobs=1)
    return Counter((here / "bundles.ndjson").read_text(encoding="utf-8").splitlines())


def _resources_here(source: Path) -> Counter[Any]:
    catalogue, found = load_catalogue(), Counter[Any]()
    for reading in read_captures(source, catalogue):
        if reading.exam is not None and reading.accepted:
            for one in to_resources(reading.exam, catalogue, by_id):
                name = one.name
                found[reading.exam.details.id, name.resource_type, name.uuid, dumps(with_id(one)).decode()] += 1
    return found


def _problems_here(source: Path) -> Counter[Any]:
    readings = read_captures(source, load_catalogue())
    return Counter(
        (p.file, p.line, p.severity.value, p.rule, p.what, p.where) for reading in readings for p in reading.problems
    )


def _validated(engine: SparkSession, here: Path) -> tuple[Counter[Any], Counter[Any]]:
    """Bundles with faults: a status that is none, a code that is none, a line that is no JSON."""
    lines = (here / "bundles.ndjson").read_text(encoding="utf-8").splitlines()[:12]
    lines[2] = lines[2].replace('"status":"final"', '"status":"finished"')
    lines[5] = lines[5].replace('"code":"8867-4"', '"code":"8867-5"')
    lines[7] = lines[7][:-9]
    path = here / "wrong.ndjson"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    run(Validate(), [path], here / "problems.ndjson", jobs=1)
    entries = [json.loads(line) for line in (here / "problems.ndjson").read_bytes().splitlines()]
    ours = Counter((p.get("line"), p["rule"], p.get("where", "")) for entry in entries for p in entry["problems"])
    numbered = [(str(path), n, line) for n, line in enumerate(lines, 1)]
    frame = engine.createDataFrame(numbered, "path string, line long, bundle string")
    theirs = Counter(map(tuple, spark.validated(frame).select("line", "rule", "where").collect()))
    return ours, theirs


def _table_here(out: Path, name: str) -> Counter[Any]:
    where = out / name if (out / name).is_dir() else out / f"{name}.parquet"
    table = pyarrow.dataset.dataset(where).to_table()
    return Counter(map(_plain, zip(*(column.to_pylist() for column in table.columns), strict=True)))


def _plain(row: Any) -> tuple[Any, ...]:
    """A row with its moments in UTC and its types told apart (1 is not True)."""
    return tuple((type(value).__name__, _moment(value)) for value in row)


def _moment(value: Any) -> Any:
    if not isinstance(value, datetime):
        return value
    return value.astimezone(UTC).isoformat()


if __name__ == "__main__":
    sys.exit(main())
