"""Files of captured exams: formats told apart, all problems at once, lines and rows, what never raises."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import load_catalogue
from adapter.read import Reading, files, read_captures, to_json
from adapter.read.csv_writer import to_csv
from drawn import drawn

CATALOGUE = load_catalogue()
RIGHT = Path(__file__).parents[1] / "wrong" / "right" / "right.json"


def record(**changes: Any) -> dict[str, Any]:
    return {**json.loads(RIGHT.read_text(encoding="utf-8")), **changes}


def read(data: str | bytes, name: str = "") -> list[Reading]:
    stream = io.BytesIO(data if isinstance(data, bytes) else data.encode())
    return list(read_captures(stream, CATALOGUE, name=name))


def ids(readings: list[Reading]) -> list[str | None]:
    return [reading.exam.details.id if reading.exam else None for reading in readings]


def test_formats_are_told_apart_by_what_is_in_them() -> None:
    one = json.dumps(record())
    two = json.dumps(record(exam={**record()["exam"], "id": "w-2"}))
    assert ids(read(one)) == ["w-1"]
    assert ids(read(f"\ufeff  [{one}, {two}]")) == ["w-1", "w-2"]
    assert ids(read(f"{one}\n\n{two}\n")) == ["w-1", "w-2"]
    assert ids(read(json.dumps(record(), indent=2))) == ["w-1"]
    exam = read(one)[0].exam
    assert exam is not None
    assert ids(read(to_csv([exam]))) == ["w-1"]


def test_a_path_and_a_path_that_is_not_there(tmp_path: Path) -> None:
    assert ids(list(read_captures(RIGHT, CATALOGUE))) == ["w-1"]
    (reading,) = read_captures(tmp_path / "none.json", CATALOGUE)
    assert [p.rule for p in reading.errors] == ["cannot-read"]


def test_sources_are_named() -> None:
    one = json.dumps(record())
    assert [r.source for r in read(f"{one}\n{one}\n", "a.ndjson")] == ["a.ndjson, line 1", "a.ndjson, line 2"]
    assert [r.source for r in read(f"[{one}]", "a.json")] == ["a.json, record 1"]
    exam = read(one)[0].exam
    assert exam is not None
    assert [r.source for r in read(to_csv([exam]), "a.csv")] == ["a.csv, exam w-1"]


def test_all_problems_of_a_record_at_once_in_the_order_of_the_file() -> None:
    wrong = record(
        version=2,
        findings=[
            {"item": "cri", "value": "weak"},
            {"item": "weight", "value": {"value": 7.4, "unit": "kg"}},
            {"item": "heart_rate", "value": {"value": 140}},
            {"item": "moro", "value": "complete_symmetrical", "nte": "x"},
        ],
    )
    (reading,) = read(json.dumps(wrong, indent=1))
    assert reading.exam is None
    rules = [p.rule for p in reading.errors]
    assert rules == ["unknown-version", "unknown-item", "impossible-value", "unit-missing", "unknown-field"]
    lines = [p.line or 0 for p in reading.errors]
    assert lines == sorted(lines)
    assert all(lines)


def test_an_exam_that_was_understood_and_is_wrong_is_not_accepted() -> None:
    (reading,) = read(json.dumps(record(findings=[{"item": "cry", "value": "loud"}])))
    assert reading.exam is not None
    assert reading.errors
    assert not reading.accepted


def test_several_answers_are_so_many_findings_and_keep_what_stands_with_them() -> None:
    listed = {"item": "movements", "value": ["startles", "sleep_myoclonus"], "note": "at rest", "urgency": "tell"}
    (reading,) = read(json.dumps(record(findings=[listed])))
    assert reading.accepted
    assert reading.exam is not None
    assert [f.answer for f in reading.exam.findings] == ["startles", "sleep_myoclonus"]
    assert {(f.note, f.urgency) for f in reading.exam.findings} == {("at rest", "tell")}


def test_digits_and_offsets_are_kept() -> None:
    text = json.dumps(record(findings=[{"item": "weight", "value": {"value": 0, "unit": "kg"}}]))
    (reading,) = read(text.replace('"value": 0,', '"value": 3.100,'))
    assert reading.exam is not None
    assert b'"value": 3.100' in to_json(reading.exam)
    assert b'"2026-03-02T09:15:00+01:00"' in to_json(reading.exam)


def test_rows_of_exams_need_not_stand_together() -> None:
    exam = read(json.dumps(record(findings=[{"item": "cry", "value": "weak"}, {"item": "suck", "value": "weak"}])))[
        0
    ].exam
    assert exam is not None
    other = exam.model_copy(update={"details": exam.details.model_copy(update={"id": "w-2"})})
    header, *rows = to_csv([exam, other]).splitlines()
    mixed = "\n".join([header, rows[0], rows[2], rows[3], rows[1], ""])
    assert [r.exam for r in read(mixed)] == [exam, other]


def test_values_of_the_csv_as_people_write_them() -> None:
    head = "exam_id,exam_kind,exam_started,examiner,newborn_identifier,newborn_sex,birth_time,item,value,unit,site"
    lines = [
        "w-1,shift,2026-03-02T09:15:00+01:00,B. Sample\\/Jr/nurse/staff|7;/midwife/staff|8,mrn|B-1;bands|4\\|4,male,"
        "2026-03-01T22:05:00+01:00,blood_pressure,65/41/48,mmHg,right_arm",
        "w-1,,,,,,,weight,7+4,lb+oz,",
        "w-1,,,,,,,glucose,<40,mg/dL,",
        "w-1,,,,,,,apgar_5_min,8,,",
        "w-1,,,,,,,apgar_1_min,total=7;colour=limbs_blue,,",
    ]
    (reading,) = read("\n".join([head, *lines]))
    assert reading.accepted, [str(p) for p in reading.errors]
    exam = reading.exam
    assert exam is not None
    assert [e.name for e in exam.details.examiners] == ["B. Sample/Jr", None]
    assert [str(i) for i in exam.newborn.identifiers] == ["mrn|B-1", "bands|4|4"]
    values = {f.item: f.value for f in exam.findings}
    assert str(values["weight"]) == "7 lb 4 oz"
    assert str(values["glucose"]) == "<40 mg/dL"
    assert values["blood_pressure"].model_dump()["components"] == {"systolic": 65, "diastolic": 41, "mean": 48}
    assert values["apgar_1_min"].model_dump() == {"total": 7, "signs": {"colour": "limbs_blue"}}


def test_a_document_larger_than_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(files, "MOST_BYTES", 1000)
    (reading,) = read(json.dumps(record(), indent=40))
    assert [p.rule for p in reading.errors] == ["too-large"]


def test_ndjson_goes_on_after_a_wrong_line() -> None:
    one = json.dumps(record())
    readings = read(f"{one}\n{{oops\n{one}\n", "x.ndjson")
    assert [r.accepted for r in readings] == [True, False, True]
    assert readings[1].errors[0].line == 2


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
PLACES = st.sampled_from(
    [
        ("exam",),
        ("newborn",),
        ("findings",),
        ("version",),
        *(("exam", k) for k in ("id", "kind", "started", "ended", "status", "examiners", "encounter", "reason")),
        *(("newborn", k) for k in ("identifiers", "sex", "birth_time", "birth_order", "gestation", "mother", "name")),
        *(("findings", 0, k) for k in ("item", "value", "text", "side", "site", "observed_at", "not_examined", "x")),
    ]
)


@drawn(150)
@given(PLACES, JSON_VALUES)
def test_anything_in_any_place_is_read_or_told_and_never_raises(path: tuple[Any, ...], value: Any) -> None:
    broken: Any = record()
    node = broken
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = value
    for reading in read(json.dumps(broken), "x.json"):
        assert reading.exam is not None or reading.errors
        assert all(p.what and p.remedy and "pydantic" not in str(p) for p in reading.problems)
        if reading.accepted:
            assert reading.exam is not None
            assert read(to_json(reading.exam))[0].exam == reading.exam


@drawn(100)
@given(st.binary(max_size=60), st.sampled_from(["x.json", "x.csv", "x.ndjson", ""]))
def test_any_bytes_are_refused_without_raising(data: bytes, name: str) -> None:
    for reading in read(data, name):
        assert reading.errors


@drawn(100)
@given(st.lists(st.lists(st.text(max_size=12), min_size=11, max_size=11), max_size=3))
def test_any_cells_are_read_or_told(rows: list[list[str]]) -> None:
    out = io.StringIO(newline="")
    head = "exam_id,exam_kind,exam_started,examiner,newborn_identifier,newborn_sex,birth_time,item,value,unit,side"
    csv.writer(out).writerows([head.split(","), *rows])
    for reading in read(out.getvalue().encode("utf-8", "replace"), "x.csv"):
        assert reading.errors
