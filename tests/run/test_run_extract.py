"""Extracting over processes gives the rows that one process gives, and the same counts of what is there."""

from __future__ import annotations

import csv
import json
import resource
import subprocess
from collections import Counter
from pathlib import Path
from typing import Any

import duckdb
import pytest

from adapter.catalogue import Catalogue
from adapter.derive.versions import current_versions
from adapter.read import read_captures
from adapter.run import run
from adapter.run.extract import Extract
from adapter.run.extract_forms import FORMS
from adapter.write import write
from adapter.write.deidentify import Deidentifier, load_policy, read_key, shipped_policies
from adapter.write.tables import TABLES
from tests.commands import START
from tests.extracts import written_at_once

pytestmark = pytest.mark.usefixtures("unproved")
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
    """Exam after exam through the writers themselves: exams in the extract, exams refused."""
    deidentifier = Deidentifier(load_policy(policy), read_key(None, "STUDY_KEY"), catalogue) if policy else None
    accepted = [r.exam for r in read_captures(source, catalogue) if r.accepted and r.exam is not None]
    return written_at_once(
        current_versions(accepted),
        catalogue,
        folder,
        ("tables", "ndjson", "omop"),
        encoding,
        deidentifier=deidentifier,
    )


def all_files(folder: Path) -> dict[str, bytes]:
    """All that an extract holds, but for what has the time in it."""
    paths = [path for path in folder.rglob("*") if path.is_file()]
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in paths
        if "proof" not in path.parts
        and not path.name.startswith(("manifest", "held", "datapackage", "labels.R", "receipt", "SHA256SUMS"))
        and path.suffix not in (".parquet", ".html")
    }


def shown(folder: Path, table: str, encoding: str) -> list[tuple[Any, ...]]:
    where = f"{folder}/{table}.{encoding}"
    if not Path(where).exists():
        where = f"{folder}/{table}/*.{encoding}"
    read = "read_parquet" if encoding == "parquet" else "read_csv"
    more = "" if encoding == "parquet" else ", all_varchar=true, header=true"
    return duckdb.sql(f"select * from {read}('{where}'{more})").fetchall()


@pytest.mark.parametrize(("policy", "encoding"), [(None, "parquet"), ("shift", "csv")])
def test_every_form_is_what_exam_after_exam_gives(
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
    for jobs, most in ((2, 7), (2, 500)):  # chunks over two processes, and a single one
        out = tmp_path / f"many-{jobs}-{most}"
        work = Extract(("tables", "ndjson", "omop"), encoding=encoding, policy=name, key_env=name and "STUDY_KEY")
        tally = run(work, [source], out, jobs=jobs, most=most).tally
        assert (tally.done, tally.refused) == (exams, refused + 1)  # one is refused by its reader
        assert tally.read == tally.done + tally.refused + tally.left_out
        rare = {one for one in tally.remarks if one.startswith("left out, fewer than 5 newborns share sex, gest")}
        assert len(rare) == bool(policy)
        assert tally.remarks.keys() == rare | {
            "given twice",
            "replaced by later versions",
            "entered in error and left out of the tables",
        }
        assert all_files(out) == all_files(tmp_path / "once")
        for table in TABLES:
            ours, theirs = shown(out, table, encoding), shown(tmp_path / "once", table, encoding)
            assert ours == theirs, table
        for table in ("person", "visit_occurrence", "measurement", "observation", "observation_period"):
            ours, theirs = (shown(folder / "omop", table, encoding) for folder in (out, tmp_path / "once"))
            assert ours == theirs, table
            assert ours


@pytest.mark.parametrize("policy", [None, "shifting"])
def test_one_process_and_two_give_the_same_bytes(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, policy: str | None
) -> None:
    """Of every form, all in one extract."""
    monkeypatch.setenv("STUDY_KEY", KEY)
    work = Extract(tuple(FORMS), policy=policy and shifting_policy(), key_env=policy and "STUDY_KEY")
    found = []
    for jobs in (0, 2):
        out = tmp_path / f"{jobs}"
        run(work, [source], out, jobs=jobs, most=11)
        found.append(all_files(out) | all_files(out.with_name(f"{out.name}.rejected")))
    assert found[0] == found[1]
    assert {"exams.csv", "fhir", "omop", "views", "phenopackets"} <= {name.partition("/")[0] for name in found[0]}


def test_omop_numbers_go_on_from_an_earlier_extract_in_chunks_too(
    lines: list[bytes], several: bytes, tmp_path: Path
) -> None:
    first, second = tmp_path / "first.ndjson", tmp_path / "second.ndjson"
    first.write_bytes(b"".join(lines[30:34]))
    second.write_bytes(several)
    run(Extract(("omop",)), [first], tmp_path / "one")
    keys = tmp_path / "one" / "omop" / "keys.csv"
    found = []
    for most in (500, 12):
        out = tmp_path / f"two-{most}"
        run(Extract(("omop",), omop_keys=keys), [second], out, jobs=2, most=most)
        found.append(all_files(out))
    assert found[0] == found[1]
    assert found[0]["omop/keys.csv"].startswith(keys.read_bytes())


def shifting_policy() -> str:
    return next(name for name in shipped_policies() if load_policy(name).dates == "shift")


def test_bundles_give_the_rows_that_captures_give(source: Path, tmp_path: Path, catalogue: Catalogue) -> None:
    exams = [r.exam for r in read_captures(source, catalogue) if r.accepted and r.exam is not None]
    bundles = tmp_path / "bundles.ndjson"
    bundles.write_bytes(b"".join(write(exam, catalogue, "collection") for exam in exams))
    for path in (source, bundles):
        run(Extract(), [path], tmp_path / f"of-{path.name}", jobs=0, most=9)
    for table in TABLES:
        rows = [shown(tmp_path / f"of-{path.name}", table, "csv") for path in (source, bundles)]
        assert Counter(rows[0]) == Counter(rows[1])


def test_the_key_stands_in_nothing_that_is_written(
    source: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STUDY_KEY", KEY)
    work = Extract(tuple(FORMS), policy=shifting_policy(), key_env="STUDY_KEY")
    run(work, [source], tmp_path / "tables", jobs=0, most=20)
    assert KEY not in work.identity() + repr(work)
    written = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    assert KEY.encode() not in written


def test_a_table_that_a_spreadsheet_reads_has_one_header(source: Path, tmp_path: Path) -> None:
    out = tmp_path / "tables"
    run(Extract(tables=("findings",)), [source], out, jobs=0, most=7)
    with (out / "findings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert sum(row[:3] == rows[0][:3] for row in rows) == 1
    assert sorted(path.name for path in out.iterdir()) == [
        "datapackage.json",
        "dictionary.csv",
        "dictionary.html",
        "findings.csv",
        "findings_for_spss.csv",
        "held.csv",
        "labels.R",
        "labels.do",
        "labels.sps",
        "receipt.csv",
        "tables.ipynb",
    ]


def test_a_full_disk_under_sqlite_is_said_and_gone_on_from(source: Path, tmp_path: Path) -> None:
    """setrlimit(2), RLIMIT_FSIZE: a write beyond the limit fails as on a full disk; the database is the largest."""
    asked = [*START, "extract", str(source), "--format", "sqlite", "--table", "findings", "--quiet", "--out"]
    assert run(Extract(tables=("findings",), encoding="sqlite"), [source], tmp_path / "well", jobs=1).tally
    most = (tmp_path / "well" / "tables.sqlite").stat().st_size * 9 // 10

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))

    done = subprocess.run([*asked, str(tmp_path / "out")], capture_output=True, preexec_fn=limited, check=False)
    assert (done.returncode, b"SQLite cannot write" in done.stderr) == (5, True), done.stderr
    assert not (tmp_path / "out").exists()
    done = subprocess.run([*asked, str(tmp_path / "out")], capture_output=True, check=False)
    assert done.returncode == 1, done.stderr  # some of the exams are wrong on purpose
    assert (tmp_path / "out" / "tables.sqlite").is_file()
