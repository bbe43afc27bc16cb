"""The wide table is what an independent flattening in SQL makes of the long ones; any other is refused."""

from __future__ import annotations

import csv
import json
import shutil
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam, Status
from adapter.read import to_json
from adapter.run import NotPossible, run
from adapter.run.extract import Extract
from adapter.write.tables import exams as wide
from adapter.write.tables import proof
from adapter.write.tables.proof import NEEDED, NotProved, proved, write_proof
from drawn import drawn
from strategies import exams
from tests.extracts import written_at_once

CATALOGUE = load_catalogue()


def tables(folder: Path, found: list[Exam], encoding: str = "csv") -> Path:
    kept = [exam for exam in found if exam.details.status is not Status.ENTERED_IN_ERROR]
    written_at_once(kept, CATALOGUE, folder, ("tables",), encoding)
    write_proof(folder, CATALOGUE)
    return folder


@pytest.mark.parametrize(("encoding", "together"), [("csv", 2000), ("parquet", 40)])
def test_every_cell_of_every_item_answer_and_side_agrees(
    encoding: str, together: int, every: list[Exam], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(proof, "_EXAMS", together)
    cells = proved(tables(tmp_path, every[::2], encoding))
    assert cells is not None
    assert cells > 5_000


@given(st.lists(exams(CATALOGUE, max_items=40), min_size=6, max_size=6, unique_by=lambda one: one.details.id))
@drawn(3)
def test_any_exams_agree(tmp_path_factory: pytest.TempPathFactory, found: list[Exam]) -> None:
    made = [exam.model_copy(update={"details": exam.details}) for exam in found]
    if any(exam.details.status is not Status.ENTERED_IN_ERROR for exam in made):
        assert proved(tables(tmp_path_factory.mktemp("any") / "out", made)) is not None


def test_a_cell_that_was_changed_is_found(every: list[Exam], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(proof, "_EXAMS", 4)
    tables(tmp_path, every[:6])
    with (tmp_path / "exams.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    seen = 0
    for name in ("weight", "heart_rate_status", "murmur", "blood_pressure_right_arm_systolic", "apgar_1_min"):
        place = rows[0].index(name)
        filled = next((n for n, row in enumerate(rows[1:], 1) if row[place] and row[place] != "not_recorded"), None)
        if filled is None:
            continue
        seen += 1
        changed = [list(row) for row in rows]
        changed[filled][place] = "7" if changed[filled][place] != "7" else ""
        with (tmp_path / "exams.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows(changed)
        with pytest.raises(NotProved, match=name):
            proved(tmp_path)
    assert seen >= 3


def test_an_extract_that_does_not_agree_is_refused(
    every: list[Exam], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As if the program mixed two readings: every second cell of answers is another's."""
    path = tmp_path / "captures.ndjson"
    path.write_bytes(b"".join(json.dumps(json.loads(to_json(exam))).encode() + b"\n" for exam in every[:2]))
    run(Extract(), [path], tmp_path / "well", jobs=1)
    assert {file.name for file in (tmp_path / "well" / "proof").iterdir()} >= {
        "flatten.sql",
        "run.sql",
        "columns.csv",
    }
    put = wide._Filled._put

    def mixed(self: wide._Filled, name: str, value: object) -> None:
        put(self, name, "mixed" if name == "murmur" else value)

    monkeypatch.setattr(wide._Filled, "_put", mixed)
    with pytest.raises(NotPossible, match="murmur"):
        run(Extract(), [path], tmp_path / "mixed", jobs=1)
    assert not (tmp_path / "mixed").exists()
    monkeypatch.setitem(sys.modules, "duckdb", None)  # not installed: the proof ships, and is not run
    run(Extract(), [path], tmp_path / "unproved", jobs=1)
    assert (tmp_path / "unproved" / "proof" / "run.sql").is_file()


def test_it_runs_where_the_extract_lies(every: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    """``run.sql`` names no place of the machine that made it."""
    import duckdb

    tables(tmp_path / "made", every[:3])
    moved = shutil.move(tmp_path / "made", tmp_path / "moved it's here")
    script = (Path(moved) / "proof" / "run.sql").read_text("utf-8")
    assert str(tmp_path) not in script
    flatten = (Path(moved) / "proof" / "flatten.sql").read_text("utf-8")
    with pytest.MonkeyPatch.context() as patch, duckdb.connect() as base:
        patch.chdir(moved)
        found = base.execute(script.replace(".read proof/flatten.sql", flatten)).fetchall()
    assert found == []
    assert set(NEEDED) <= {path.stem for path in Path(moved).glob("*.csv")}
    assert proved(Path(moved))
