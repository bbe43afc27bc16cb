"""The receipt leads from each exam of an extract to what it was read from, digest and all."""

from __future__ import annotations

import csv
import json
from hashlib import sha256
from pathlib import Path

import pytest

from adapter.exam import Exam
from adapter.read import to_json
from adapter.read.csv_writer import to_csv
from adapter.run import run
from adapter.run.extract import Extract


def receipt(folder: Path) -> list[dict[str, str]]:
    with (folder / "receipt.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_each_line_rows_and_file_are_found_again(every: list[Exam], tmp_path: Path) -> None:
    lines = [json.dumps(json.loads(to_json(exam))).encode() + b"\n" for exam in every[:3]]
    (tmp_path / "many.ndjson").write_bytes(b"".join(lines))
    (tmp_path / "one.json").write_bytes(to_json(every[4]))
    (tmp_path / "rows.csv").write_text(to_csv(every[5:7]), "utf-8", newline="")
    given = [tmp_path / name for name in ("many.ndjson", "one.json", "rows.csv")]
    run(Extract(("ndjson",)), given, tmp_path / "out", jobs=1)
    found = {one["exam_id"]: one for one in receipt(tmp_path / "out")}
    assert len(found) == 6
    for number, line in enumerate(lines):
        one = found[every[number].details.id]
        assert (one["input"], one["file"], one["at"]) == ("line", str(given[0]), str(number + 1))
        assert one["sha256"] == sha256(line).hexdigest()
        assert one["findings"] == str(len(every[number].findings))
    whole = found[every[4].details.id]
    assert (whole["input"], whole["sha256"]) == ("file", sha256(given[1].read_bytes()).hexdigest())
    text = given[2].read_bytes().splitlines(keepends=True)
    rows = found[every[6].details.id]
    first = int(rows["at"]) - 1
    assert (rows["input"], rows["sha256"]) == ("rows", sha256(b"".join(text[first:])).hexdigest())


def test_what_was_de_identified_has_none(every: list[Exam], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STUDY_KEY", "an invented key for tests only, 32 bytes at least")
    (tmp_path / "one.json").write_bytes(to_json(every[4]))
    work = Extract(("ndjson",), policy="safe-harbor", key_env="STUDY_KEY", rare="tell")
    run(work, [tmp_path / "one.json"], tmp_path / "out", jobs=1)
    assert not (tmp_path / "out" / "receipt.csv").exists()
    everything = b"".join(path.read_bytes() for path in (tmp_path / "out").rglob("*") if path.is_file())
    assert b"one.json" not in everything
