"""The commands with many exams; their workers are processes."""

from __future__ import annotations

import gzip
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from commands import ROOT, START, run_here


def test_convert_streams_to_standard_output(captures: Path, converted: list[bytes]) -> None:
    done = run_here("convert", captures)
    assert done.returncode == 1
    assert done.stdout == b"".join(converted)
    assert b"88 exams converted, 2 refused." in done.stderr


def test_convert_of_a_folder_says_where_the_refused_are(
    captures: Path, lines: list[bytes], converted: list[bytes], tmp_path: Path
) -> None:
    folder = tmp_path / "drop"
    folder.mkdir()
    for n, line in enumerate(lines[:20]):
        (folder / f"{n:02}.json").write_bytes(line)
    out = tmp_path / "bundles.ndjson.gz"
    done = run_here("convert", folder, "--out", out, "--jobs", "2")
    assert done.returncode == 1
    assert gzip.decompress(out.read_bytes()) == b"".join(converted[:19])
    said = done.stderr.decode()
    assert "19 exams converted, 1 refused." in said
    assert f"{out}.rejected/problems.ndjson" in said
    assert "17.json" in said
    assert "Traceback" not in said


@pytest.mark.parametrize(
    ("options", "names"),
    [
        (["--out", "parts", "--parts", "--gzip"], ["part-00000.ndjson.gz"]),
        (["--out", "each", "--format", "xml"], [f"invented-{n:07}.xml" for n in range(3)]),
    ],
)
def test_convert_into_a_folder(lines: list[bytes], tmp_path: Path, options: list[str], names: list[str]) -> None:
    (tmp_path / "three.ndjson").write_bytes(b"".join(lines[:3]))
    options[1] = str(tmp_path / options[1])
    done = run_here("convert", tmp_path / "three.ndjson", *options)
    assert done.returncode == 0, done.stderr
    assert sorted(path.name for path in Path(options[1]).iterdir()) == names


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["convert", "captures.ndjson", "--parts"], "--out"),
        (["convert", "captures.ndjson", "--format", "xml", "--out", "x.xml"], "need a folder"),
        (["extract", "captures.ndjson", "--all-versions", "--forms", "omop", "--out", "x"], "--all-versions is for"),
        (["convert", "captures.ndjson", "--out", "no/where/x.ndjson"], "no folder"),
        (["convert", "captures.ndjson", "--out", "x.ndjson", "--jobs", "0"], "--jobs"),
        (["validate", "captures.ndjson", "--out", "."], "directory"),
        (["extract", "captures.ndjson", "--out", "captures.ndjson"], "is a file"),
    ],
)
def test_wrong_use_is_refused_in_words(
    captures: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], why: str
) -> None:
    monkeypatch.chdir(tmp_path)
    done = run_here(*arguments)
    assert done.returncode == 2
    assert why in done.stderr.decode()
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(("form", "jobs"), [("text", 2), ("jsonl", 0), ("json", 0), ("sarif", 0)])
def test_validate_says_the_same_with_many_chunks_and_processes(
    converted: list[bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str, jobs: int
) -> None:
    # 0: chunk after chunk, in this process
    monkeypatch.setattr(sys.modules["adapter.run.run"], "jobs_here", lambda: jobs)
    path = tmp_path / "bundles.ndjson"
    wrong = [bundle.replace(b'"status":"final"', b'"status":"finished"', 1) for bundle in converted[:3]]
    small = b'{"resourceType": "Patient", "gender": "girl"}\n'
    path.write_bytes(b"".join([*wrong, b"{}\n", b"\n", *converted[3:8], *[small] * 200]))  # more than one chunk
    spread = run_here("validate", path, "--format", form)
    alone = run_here("validate", "-", "--format", form, stdin=path.read_bytes())
    assert alone.returncode == spread.returncode == 1
    assert alone.stdout.replace(b"standard input", str(path).encode()) == spread.stdout


def test_validate_into_a_file_counts_and_says_what_fails(converted: list[bytes], tmp_path: Path) -> None:
    path, out = tmp_path / "bundles.ndjson", tmp_path / "problems.ndjson"
    path.write_bytes(b"".join([*converted[:4], b"{}\n"]))
    done = run_here("validate", path, "--out", out, "--quiet")
    assert done.returncode == 1
    assert b"5 resources read: " in done.stdout
    assert [
        json.loads(line)["line"] for line in out.read_bytes().splitlines() if b'"error"' in line or b"fatal" in line
    ]
    assert run_here("validate", path, "--out", out, "--fail-on", "never").returncode == 0


def test_extract_of_many_files_is_one_extract(captures: Path, tmp_path: Path) -> None:
    out = tmp_path / "tables"
    done = run_here("extract", captures, "--out", out, "--format", "parquet", "--table", "findings", "--jobs", "2")
    assert done.returncode == 1
    beside = ["datapackage.json", "dictionary.csv", "dictionary.html"]
    assert sorted(path.name for path in out.iterdir()) == [
        *beside,
        "findings.parquet",
        "held.csv",
        "labels.R",
        "receipt.csv",
        "tables.ipynb",
    ]
    said = done.stderr.decode()
    assert "88 exams extracted, 2 refused." in said
    assert "names and identifiers" in said


def test_an_interruption_says_how_to_go_on(lines: list[bytes], tmp_path: Path) -> None:
    path, out = tmp_path / "many.ndjson", tmp_path / "bundles.ndjson"
    path.write_bytes(b"".join(map(small, lines[:16] * 50)))  # four chunks
    going = subprocess.Popen(
        [*START, "convert", str(path), "--out", str(out), "--jobs", "2"],
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    journal = tmp_path / "bundles.ndjson.unfinished" / "journal.ndjson"
    end = time.monotonic() + 60
    while not (journal.exists() and b'"chunk"' in journal.read_bytes()) and time.monotonic() < end:
        time.sleep(0.01)
    going.send_signal(signal.SIGINT)
    _, said = going.communicate(timeout=60)
    assert going.returncode == 130
    assert b"the same command goes on from there" in said
    assert b"Traceback" not in said
    done = run_here("convert", path, "--out", out, "--jobs", "1")
    assert b"goes on after" in done.stderr
    assert b"800 exams converted, 0 refused." in done.stderr
    assert out.read_bytes().count(b"\n") == 800


def small(line: bytes) -> bytes:
    record = json.loads(line)
    return json.dumps({**record, "findings": record["findings"][:1]}).encode() + b"\n"


def test_an_exam_that_a_message_cannot_hold_is_set_aside_with_the_reason(lines: list[bytes], tmp_path: Path) -> None:
    folder = tmp_path / "drop"
    folder.mkdir()
    for n, line in enumerate(lines[:3]):
        record = json.loads(line)
        record["findings"][0]["note"] = "seen again by 看護師" if n == 1 else "seen again"
        (folder / f"{n}.json").write_text(json.dumps(record))
    site = ROOT / "examples/sites/isle-minor"  # its receiver takes the characters of Western Europe alone
    out = tmp_path / "all.er7"
    done = run_here("convert", folder, "--to", "v2", "--site", site, "--out", out, "--jobs", "2")
    assert done.returncode == 1
    assert out.read_bytes().count(b"MSH|") == 2
    problems = [json.loads(line) for line in Path(f"{out}.rejected/problems.ndjson").read_bytes().splitlines()]
    assert [one["file"] for one in problems] == [str(folder / "1.json")]
    assert "character-set" in json.dumps(problems)
