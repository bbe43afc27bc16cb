"""Extracting over processes gives the rows that one process gives, and the same counts of what is there."""

from __future__ import annotations

import csv
import json
from collections import Counter
from pathlib import Path
from typing import Any

import duckdb
import pytest
from adapter.write.extract import Extract as AtOnce

from adapter.catalogue import Catalogue
from adapter.derive.versions import Versions
from adapter.read import read_captures
from adapter.run import run
from adapter.run.extract import Extract, latest_versions
from adapter.run.rows import Rows
from adapter.write import write
from adapter.write.deidentify import Deidentifier, load_policy, read_key, shipped_policies
from adapter.write.tables import TABLES

KEY = "an invented key for tests only, 32 bytes at least"


def changed(line: bytes, **parts: Any) -> bytes:
    record = json.loads(line)
    for part, fields in parts.items():
        record[part] = fields if part == "newborn" else {**record[part], **fields}
    return json.dumps(record).encode() + b"\n"


@pytest.fixture(scope="module")
def several(lines: list[bytes]) -> bytes:
    """Exams of which some come twice, are amended or retracted, or are a newborn's second one."""
    amended = {"status": "amended", "amends": "invented-0000003", "reason": "Invented", "id": "amended-3"}
    retracted = {"status": "entered-in-error", "amends": "invented-0000005", "reason": "Invented", "id": "gone-5"}
    again = json.loads(lines[7])["newborn"]
    orphan = {key: value for key, value in again.items() if key != "mother"}
    more = [
        changed(lines[3], exam=amended),
        changed(lines[5], exam=retracted),
        changed(lines[7], exam={"id": "second-7"}),
        changed(lines[7], exam={"id": "third-7"}, newborn=orphan),
        lines[2],
        lines[8],
    ]
    return b"".join([*lines[:20], lines[19], *more, *lines[20:40]])


@pytest.fixture
def source(several: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "captures.ndjson"
    path.write_bytes(several)
    return path


def at_once(source: Path, folder: Path, encoding: str, catalogue: Catalogue, policy: str | None) -> tuple[int, int]:
    """By one process, as the command does without --jobs: exams in the tables, exams refused."""
    deidentifier = Deidentifier(load_policy(policy), read_key(None, "STUDY_KEY"), catalogue) if policy else None
    folder.mkdir()
    made, versions, refused = AtOnce(folder, catalogue, encoding=encoding, deidentifier=deidentifier), Versions(), 0
    accepted = [r.exam for r in read_captures(source, catalogue) if r.accepted and r.exam is not None]
    for exam in accepted:
        versions.see(exam)
    for exam in accepted:
        if versions.current(exam):
            try:
                made.add(exam)
            except ValueError:
                refused += 1
    made.close()
    return made.exams, refused


def shown(folder: Path, table: str, encoding: str) -> list[tuple[Any, ...]]:
    where = f"{folder}/{table}.{encoding}"
    if not Path(where).exists():
        where = f"{folder}/{table}/*.{encoding}"
    read = "read_parquet" if encoding == "parquet" else "read_csv"
    more = "" if encoding == "parquet" else ", all_varchar=true, header=true"
    return duckdb.sql(f"select * from {read}('{where}'{more})").fetchall()


@pytest.mark.parametrize("policy", [None, "shift"])
@pytest.mark.parametrize("encoding", ["csv", "parquet"])
def test_rows_and_dictionary_are_those_of_one_process(
    source: Path,
    tmp_path: Path,
    catalogue: Catalogue,
    monkeypatch: pytest.MonkeyPatch,
    encoding: str,
    policy: str | None,
) -> None:
    monkeypatch.setenv("STUDY_KEY", KEY)
    name = policy and shifting_policy()
    exams, refused = at_once(source, tmp_path / "once", encoding, catalogue, name)
    latest = latest_versions([source], catalogue, Rows())
    for jobs in (1, 2):
        out = tmp_path / f"many-{jobs}"
        work = Extract(encoding=encoding, latest=latest, policy=name, key_env=name and "STUDY_KEY")
        tally = run(work, [source], out, jobs=jobs, most=7).tally
        assert (tally.done, tally.refused) == (exams, refused + 1)  # one is refused by its reader
        assert tally.read == tally.done + tally.refused + tally.left_out
        for table in TABLES:
            ours, theirs = shown(out, table, encoding), shown(tmp_path / "once", table, encoding)
            assert ours == theirs, table
        for beside in ("dictionary.csv", *(("deidentification.json", "rare_combinations.csv") if policy else ())):
            assert (out / beside).read_bytes() == (tmp_path / "once" / beside).read_bytes()


def shifting_policy() -> str:
    return next(name for name in shipped_policies() if load_policy(name).dates == "shift")


def test_bundles_give_the_rows_that_captures_give(source: Path, tmp_path: Path, catalogue: Catalogue) -> None:
    exams = [r.exam for r in read_captures(source, catalogue) if r.accepted and r.exam is not None]
    bundles = tmp_path / "bundles.ndjson"
    bundles.write_bytes(b"".join(write(exam, catalogue, "collection") for exam in exams))
    for path in (source, bundles):
        latest = latest_versions([path], catalogue, Rows())
        run(Extract(latest=latest), [path], tmp_path / f"of-{path.name}", jobs=2, most=9)
    for table in TABLES:
        rows = [shown(tmp_path / f"of-{path.name}", table, "csv") for path in (source, bundles)]
        assert Counter(rows[0]) == Counter(rows[1])


def test_the_key_stands_in_nothing_that_is_written(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STUDY_KEY", KEY)
    work = Extract(policy=shifting_policy(), key_env="STUDY_KEY")
    run(work, [source], tmp_path / "tables", jobs=2, most=20)
    assert KEY not in work.identity() + repr(work)
    written = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    assert KEY.encode() not in written


def test_a_table_that_a_spreadsheet_reads_has_one_header(source: Path, tmp_path: Path) -> None:
    out = tmp_path / "tables"
    run(Extract(tables=("findings",)), [source], out, jobs=2, most=7)
    with (out / "findings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert sum(row[:3] == rows[0][:3] for row in rows) == 1
    assert sorted(path.name for path in out.iterdir()) == ["dictionary.csv", "dictionary.html", "findings.csv"]
