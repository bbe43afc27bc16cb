"""How inputs are cut: whatever the cut, the exams and problems are those of reading the whole at once."""

from __future__ import annotations

import csv
import gzip
import io
from pathlib import Path
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam
from adapter.read import Reading, read_captures
from adapter.read.csv_writer import to_csv
from adapter.read.plan import load_plan, read_table
from adapter.run.exams import readings_of
from adapter.run.inputs import Cut, pieces_of, weight_of
from adapter.run.pieces import PieceKind, chunks
from adapter.run.rows import Rows
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()
CUT = Cut()


def told(readings: list[Reading]) -> list[tuple[object, ...]]:
    return [(r.exam, sorted(map(str, r.problems))) for r in readings]


def in_pieces(path: Path, cut: Cut = CUT) -> list[Reading]:
    return [reading for piece in pieces_of([path], cut) for reading in readings_of(piece, CATALOGUE)]


def as_table(lines: list[bytes], folder: Path) -> str:
    path = folder / "given.ndjson"
    path.write_bytes(b"".join(lines))
    accepted = [r.exam for r in read_captures(path, CATALOGUE) if r.exam is not None]
    return to_csv(accepted)


@drawn(15)
@given(found=st.lists(exams(CATALOGUE), min_size=1, max_size=4, unique_by=lambda exam: exam.details.id))
def test_a_table_in_pieces_holds_the_exams_of_the_whole(
    tmp_path_factory: pytest.TempPathFactory, found: list[Exam]
) -> None:
    path = tmp_path_factory.mktemp("table") / "exams.csv"
    path.write_bytes(to_csv(found).encode())
    pieces = list(pieces_of([path], CUT))
    assert [piece.kind for piece in pieces] == [PieceKind.ROWS] * len(found)
    assert told(in_pieces(path)) == told(list(read_captures(path, CATALOGUE)))


def test_rows_keep_their_numbers_in_a_piece(lines: list[bytes], tmp_path: Path) -> None:
    rows = as_table(lines[:6], tmp_path).splitlines(keepends=True)
    rows[20] = rows[20].rstrip() + ",surplus\r\n"
    item = next(csv.reader([rows[0]])).index("item")
    cells = next(csv.reader([rows[30]]))
    cells[item] = "no_such_item"
    out = io.StringIO(newline="")
    csv.writer(out).writerow(cells)
    rows[30] = out.getvalue()
    path = tmp_path / "exams.csv"
    path.write_text("".join([*rows[:10], "\r\n", *rows[10:]]), encoding="utf-8", newline="")
    ours = {str(problem) for reading in in_pieces(path) for problem in reading.errors}
    theirs = {str(problem) for reading in read_captures(path, CATALOGUE) for problem in reading.errors}
    assert ours == theirs
    assert any("no_such_item" in problem for problem in ours)
    assert any("row-width" in problem for problem in ours)


def test_a_table_whose_exams_come_apart_is_read_whole(lines: list[bytes], tmp_path: Path) -> None:
    header, *rows = as_table(lines[:4], tmp_path).splitlines(keepends=True)
    Random(1).shuffle(rows)
    path = tmp_path / "exams.csv"
    path.write_text("".join([header, *rows]), encoding="utf-8", newline="")
    (piece,) = pieces_of([path], CUT)
    assert piece.kind is PieceKind.FILE
    assert piece.fault is None
    assert told(in_pieces(path)) == told(list(read_captures(path, CATALOGUE)))


def test_a_table_too_long_to_be_read_whole_must_be_sorted(
    lines: list[bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    header, *rows = as_table(lines[:3], tmp_path).splitlines(keepends=True)
    path = tmp_path / "exams.csv"
    path.write_text("".join([header, *rows, rows[0]]), encoding="utf-8", newline="")
    monkeypatch.setattr("adapter.run.rows.MOST_BYTES", 100)
    (piece,) = pieces_of([path], CUT)
    assert piece.fault is not None
    assert piece.fault.rule == "rows-apart"
    assert piece.fault.where == f"row {3 * 8 + 2}"
    path.write_text("".join([header, *rows]), encoding="utf-8", newline="")
    assert len(list(pieces_of([path], CUT))) == 3


@pytest.mark.parametrize(
    ("content", "rule"),
    [(b"\xff\xfe", "not-utf-8"), (b'"open,', "not-csv")],
    ids=["not UTF-8", "an open quote"],
)
def test_a_table_that_is_broken_anywhere_is_not_cut(
    lines: list[bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, content: bytes, rule: str
) -> None:
    path = tmp_path / "exams.csv"
    path.write_bytes(as_table(lines[:3], tmp_path).encode() + content)
    assert [piece.kind for piece in pieces_of([path], CUT)] == [PieceKind.FILE]
    monkeypatch.setattr("adapter.run.rows.MOST_BYTES", 100)
    (piece,) = pieces_of([path], CUT)
    assert piece.fault is not None
    assert piece.fault.rule == rule


def test_a_table_through_a_plan_is_cut_at_every_row(tmp_path: Path, catalogue: Catalogue) -> None:
    plan_path = Path(__file__).parents[2] / "examples/plans/births_ounces_days.yaml"
    plan, problems = load_plan(plan_path, catalogue)
    assert plan is not None
    assert not problems
    columns = list(plan.columns())
    path = tmp_path / "births.data"
    rows = [[str(n + k) for k in range(len(columns))] for n in range(30)]
    path.write_text("\n".join(",".join(row) for row in [columns, *rows]) + "\n", encoding="utf-8")
    pieces = list(pieces_of([path], Cut(Rows.of_plan(plan))))
    assert len(pieces) == 30
    ours = [reading for piece in pieces for reading in readings_of(piece, catalogue, plan)]
    assert told(ours) == told(list(read_table(path, plan, catalogue)))


@drawn(30)
@given(sizes=st.lists(st.integers(0, 40), max_size=30), most=st.integers(1, 7), weight=st.integers(1, 90))
def test_chunks_hold_every_line_once_in_order(
    tmp_path_factory: pytest.TempPathFactory, sizes: list[int], most: int, weight: int
) -> None:
    path = tmp_path_factory.mktemp("cut") / "lines.ndjson"
    path.write_bytes(b"".join(b"x" * size + b"\n" for size in sizes))
    cut = list(chunks(pieces_of([path]), most, weight))
    pieces = [piece for chunk in cut for piece in chunk.pieces if piece.kind is PieceKind.LINE]
    assert b"".join(piece.data for piece in pieces) == path.read_bytes()
    assert [piece.at for piece in pieces] == list(range(1, len(sizes) + 1))
    assert [chunk.number for chunk in cut] == list(range(len(cut)))
    assert all(len(chunk.pieces) <= most for chunk in cut)
    assert cut == list(chunks(pieces_of([path]), most, weight))


def test_a_line_longer_than_any_exam_is_refused_and_the_next_is_read(
    lines: list[bytes], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in ("adapter.run.inputs", "adapter.read.files"):
        monkeypatch.setattr(f"{module}.MOST_BYTES", 100_000)
    path = tmp_path / "long.ndjson"
    path.write_bytes(lines[0] + b'{"x": "' + b"y" * 3_000_000 + b'"}\n' + lines[1])
    readings = in_pieces(path)
    assert [reading.accepted for reading in readings] == [True, False, True]
    assert readings[1].errors[0].rule == "too-large"
    assert readings[1].errors[0].line == 2


def test_what_is_packed_is_known_by_its_content(lines: list[bytes], tmp_path: Path) -> None:
    for name, content in (("one.json.gz", lines[0]), ("many.gz", b"".join(lines[:3])), ("many.ndjson.gz", lines[4])):
        (tmp_path / name).write_bytes(gzip.compress(content))
    readings = [r for piece in pieces_of([tmp_path], CUT) for r in readings_of(piece, CATALOGUE)]
    assert len(readings) == 5
    assert all(reading.accepted for reading in readings)
    assert weight_of([tmp_path]) == sum(path.stat().st_size for path in tmp_path.iterdir())


def test_a_chunk_is_named_by_where_it_begins(lines: list[bytes], tmp_path: Path) -> None:
    """A table has rows, NDJSON has lines, and of a file that is read whole the name is enough."""
    (many := tmp_path / "many.ndjson").write_bytes(b"".join(lines[:3]))
    (one := tmp_path / "one.json").write_bytes(lines[0])
    (table := tmp_path / "table.csv").write_text(as_table(lines[:3], tmp_path), encoding="utf-8", newline="")
    rows = [piece.at for piece in pieces_of([table], CUT)]
    assert [chunk.place for chunk in chunks(pieces_of([many], CUT), 2)] == [f"{many}, line 1", f"{many}, line 3"]
    assert [chunk.place for chunk in chunks(pieces_of([table], CUT), 2)] == [
        f"{table}, row 2",
        f"{table}, row {rows[2]}",
    ]
    assert [chunk.place for chunk in chunks(pieces_of([one], CUT), 2)] == [str(one)]
