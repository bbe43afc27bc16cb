"""The tables in one SQLite file: the rows of the CSV with their types, and keys that SQLite itself checks."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from adapter.catalogue import Catalogue
from adapter.cli import cli
from adapter.exam import Exam
from adapter.read import to_json
from adapter.run import run
from adapter.run.extract import Extract
from adapter.write.tables import TABLES, Column, Type
from adapter.write.tables.folder import NoTables, rows
from adapter.write.tables.proof import NotProved, proved
from adapter.write.tables.spreadsheet import read_rows
from adapter.write.tables.sqlite import DATABASE, TooWide, check_width

MADE = {Type.DECIMAL: float, Type.BOOLEAN: int, Type.INSTANT: lambda at: f"{at:%Y-%m-%dT%H:%M:%S}Z"}
"""What a value is in SQLite."""


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory, every: list[Exam]) -> Path:
    path = tmp_path_factory.mktemp("sqlite") / "captures.ndjson"
    lines = [to_json(exam).replace(b"\n", b" ") + b"\n" for exam in (*every[:3], every[2])]
    path.write_bytes(b"".join(lines))
    return path


@pytest.fixture(scope="module")
def folder(given: Path) -> Path:
    run(Extract(encoding="sqlite"), [given], given.with_name("one"), jobs=1, most=2)
    return given.with_name("one")


def stored(column: Column, value: object) -> object:
    return value if value is None or column.type not in MADE else MADE[column.type](value)


def test_it_holds_the_rows_of_the_csv_with_their_types(folder: Path, given: Path, catalogue: Catalogue) -> None:
    run(Extract(), [given], given.with_name("as-csv"), jobs=1, most=2)
    declared = {Type.TEXT: "TEXT", Type.INTEGER: "INTEGER", Type.BOOLEAN: "INTEGER", Type.DECIMAL: "REAL"}
    with closing(sqlite3.connect(folder / DATABASE)) as base:
        for name, table in TABLES.items():
            columns = table.columns(catalogue)
            wanted = read_rows(given.with_name("as-csv") / f"{name}.csv", columns)
            found = base.execute(f"select * from {name} order by rowid").fetchall()
            assert found == [tuple(map(stored, columns, row)) for row in wanted], name
            types = [row[2] for row in base.execute(f"pragma table_info({name})")]
            assert types == [declared.get(column.type, "TEXT") for column in columns]
        assert base.execute("select count(*) from findings").fetchone()[0] > 100
        told = base.execute("select label, unit from dictionary where \"table\" = 'exams' and \"column\" = 'weight'")
        assert told.fetchone() == ("Weight", "g")


def test_keys_lead_somewhere_and_sqlite_holds_them(folder: Path) -> None:
    with closing(sqlite3.connect(folder / DATABASE)) as base:
        leads = {(name, row[2]) for name in TABLES for row in base.execute(f"pragma foreign_key_list({name})")}
        assert leads >= {("components", "findings"), ("findings", "exams"), ("exams", "newborns")}
        assert base.execute("pragma foreign_key_check").fetchall() == []
        assert base.execute("pragma integrity_check").fetchall() == [("ok",)]
        (plan,) = base.execute("explain query plan select * from findings where item = 'murmur'").fetchall()
        assert "USING INDEX" in plan[3]
        base.execute("pragma foreign_keys = on")
        with pytest.raises(sqlite3.IntegrityError):
            base.execute("update findings set exam_id = 'nobody'")


def test_the_proof_runs_over_it_and_finds_a_changed_cell(folder: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    copy.mkdir()
    for path in (folder / DATABASE, *(folder / "proof").iterdir()):
        target = copy / path.relative_to(folder)
        target.parent.mkdir(exist_ok=True)
        target.write_bytes(path.read_bytes())
    assert proved(copy)
    assert "sqlite_scan('./tables.sqlite'" in (copy / "proof" / "run.sql").read_text("utf-8")
    with closing(sqlite3.connect(copy / DATABASE)) as base, base:
        base.execute("update exams set heart_rate = coalesce(heart_rate, 0) + 1")
    with pytest.raises(NotProved, match="heart_rate"):
        proved(copy)


def test_other_commands_read_it(folder: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["quality", str(folder), "--out", str(tmp_path / "quality.json")])
    assert (done.exit_code, "looked over" in done.output) == (0, True), done.output
    with pytest.raises(NoTables, match="no column shoe_size"):
        list(rows(folder, "exams", ("shoe_size",)))
    (tmp_path / DATABASE).write_text("no database")
    with pytest.raises(NoTables, match="not a SQLite file"):
        list(rows(tmp_path, "exams", ("exam_id",)))


def test_more_columns_than_sqlite_holds_are_told_before_anything_is_read() -> None:
    columns = [Column(f"c{n}", Type.TEXT, "") for n in range(2001)]
    with pytest.raises(TooWide, match="2001 columns"):
        check_width("exams", columns)


def test_every_version_once(given: Path, tmp_path: Path) -> None:
    """An exam that is given twice stands once there too, so that keys hold."""
    run(Extract(tables=("exams",), encoding="sqlite", all_versions=True), [given, given], tmp_path / "all", jobs=1)
    found = [row["exam_id"] for row in rows(tmp_path / "all", "exams", ("exam_id",))]
    assert len(found) == len(set(found)) == 3
