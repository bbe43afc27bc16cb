"""The same faulty input has the same problems, however it is packed, named and handed over, and by whatever command.

The faulty records are those of ``tests/wrong``; all of it is invented.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import re
from collections.abc import Iterable
from pathlib import Path

import pytest
from click.testing import CliRunner

from adapter.catalogue import load_catalogue
from adapter.cli import cli
from adapter.problems import Problem
from adapter.read import Reading, read

CATALOGUE = load_catalogue()
WRONG = Path(__file__).parents[1] / "wrong"
RIGHT = json.loads((WRONG / "right" / "right.json").read_text(encoding="utf-8"))

with (WRONG / "index.csv").open(encoding="utf-8", newline="") as index:
    NAMES = [row["file"] for row in csv.DictReader(index)]

Told = tuple[str, str, str, str]


def told(problems: Iterable[Problem]) -> list[Told]:
    """What is said, without the places, which are those of each packing."""
    return sorted((p.rule, p.item, re.sub(r"at /\d+/", "at /", p.what), p.remedy) for p in problems)


def of(readings: Iterable[Reading]) -> list[Told]:
    return told(problem for reading in readings for problem in reading.problems)


@pytest.mark.parametrize("name", NAMES)
def test_a_wrong_file_in_any_packing(name: str, tmp_path: Path) -> None:
    data = (WRONG / name).read_bytes()
    wanted = of(read(WRONG / name, CATALOGUE))
    assert wanted
    packed, folder = tmp_path / f"{name}.gz", tmp_path / "folder"
    packed.write_bytes(gzip.compress(data))
    folder.mkdir()
    (folder / name).write_bytes(data)
    nameless = tmp_path / "drop"
    nameless.write_bytes(data)
    assert of(read(packed, CATALOGUE)) == wanted
    assert of(read(folder, CATALOGUE)) == wanted
    assert of(read(io.BytesIO(data), CATALOGUE)) == wanted
    assert of(read(nameless, CATALOGUE)) == wanted


def _documents() -> list[str]:
    found = []
    for name in NAMES:
        if name.endswith(".json"):
            try:
                json.loads((WRONG / name).read_text(encoding="utf-8"))
            except (ValueError, RecursionError):
                continue
            found.append(name)
    return found


@pytest.mark.parametrize("name", _documents())
def test_a_wrong_record_among_others(name: str) -> None:
    """On a line between right ones, in an array, and alone on a line."""
    text = (WRONG / name).read_text(encoding="utf-8").strip()
    if isinstance(json.loads(text), list):
        return
    wanted = of(read(io.BytesIO(text.encode()), CATALOGUE))
    line = text.replace("\r", " ").replace("\n", " ")
    right = json.dumps(RIGHT)
    for lines in (f"{line}\n", f"{right}\n{line}\n{right}\n", f"{line}\n{right}\n"):
        for given in ("x.ndjson", "x.json", ""):
            if lines.count("\n") > 1 or given == "x.ndjson":
                assert of(read(io.BytesIO(lines.encode()), CATALOGUE, name=given)) == wanted, (given, lines[:80])
    assert of(read(io.BytesIO(f"[{right}, {text}]".encode()), CATALOGUE)) == wanted


@pytest.mark.parametrize("first", ['{"version": 1, "exam": {"id"', "{oops}", "null", '"a word"'])
@pytest.mark.parametrize("given", ["x.ndjson", "x.json", "x", ""])
def test_lines_are_lines_though_the_first_is_broken(first: str, given: str) -> None:
    right = json.dumps(RIGHT)
    readings = list(read(io.BytesIO(f"{first}\n{right}\n{right}\n".encode()), CATALOGUE, name=given))
    assert [reading.accepted for reading in readings] == [False, True, True]
    assert {problem.line for problem in readings[0].errors} == {1}


def test_lines_longer_than_what_is_first_looked_at() -> None:
    long = json.dumps({**RIGHT, "exam": {**RIGHT["exam"], "place": "x" * 200}})
    filler = " " * 100_000
    readings = list(read(io.BytesIO(f"{long}{filler}\n{long}{filler}\n".encode()), CATALOGUE))
    assert [reading.source for reading in readings] == ["standard input, line 1", "standard input, line 2"]


SAMPLE = [
    "answer_unknown.json",
    "cut_off.json",
    "key_twice.json",
    "csv_item_unknown.csv",
    "second_line.ndjson",
    "utf16.json",
]


@pytest.mark.parametrize("name", SAMPLE)
def test_a_wrong_file_by_any_command(name: str, tmp_path: Path) -> None:
    path = WRONG / name
    wanted = {(p.rule, p.what) for reading in read(path, CATALOGUE) for p in reading.errors}
    out, target = str(tmp_path / "out"), tmp_path / "target.yaml"
    target.write_text("url: http://127.0.0.1:9/fhir\nretry: {patience: 1}\n", "utf-8")  # where nobody answers
    commands = {
        "check": ["check", str(path)],
        "convert": ["convert", str(path)],
        "extract": ["extract", str(path), "--out", out],
        "form": ["form", "--response", str(path)],
        "send": ["send", str(path), "--target", str(target), "--outbox", str(tmp_path / "outbox.db")],
    }
    for command, arguments in commands.items():
        done = CliRunner().invoke(cli, arguments, catch_exceptions=False)
        assert done.exit_code != 0, command
        for rule, what in wanted:
            assert what in done.output, command
            assert f"/{rule}]" in done.output, command
