"""Any exam through a writer and its reader is the same exam, digit for digit and offset for offset."""

from __future__ import annotations

import csv
import io

from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import load_catalogue
from adapter.exam import Exam
from adapter.problems import Severity
from adapter.read import check_exam, completeness, read_captures, to_json
from adapter.read.csv_writer import to_csv
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()
few = drawn(30)


def read(data: bytes, name: str) -> list[Exam]:
    found = []
    for reading in read_captures(io.BytesIO(data), CATALOGUE, name=name):
        assert reading.accepted, [str(p) for p in reading.errors]
        assert reading.exam is not None
        found.append(reading.exam)
    return found


@few
@given(exams(CATALOGUE))
def test_drawn_exams_are_valid(exam: Exam) -> None:
    wrong = [str(p) for p in check_exam(exam, CATALOGUE) if p.severity is Severity.ERROR]
    assert not wrong


@few
@given(exams(CATALOGUE))
def test_json(exam: Exam) -> None:
    (back,) = read(to_json(exam), "exam.json")
    assert back == exam
    assert to_json(back) == to_json(exam)  # equality of Decimals and moments forgives digits and offsets


@few
@given(st.lists(exams(CATALOGUE, max_items=5), min_size=1, max_size=3))
def test_ndjson_and_array(several: list[Exam]) -> None:
    lines = [to_json(exam, indent=None) for exam in several]
    assert all(line.count(b"\n") == 1 for line in lines)
    assert read(b"".join(lines), "exams.ndjson") == several
    assert read(b"[" + b",".join(lines) + b"]", "") == several


@few
@given(st.lists(exams(CATALOGUE, max_items=6), min_size=1, max_size=3, unique_by=lambda e: e.details.id))
def test_csv(several: list[Exam]) -> None:
    text = to_csv(several)
    back = read(text.encode(), "exams.csv")
    assert back == several
    assert [to_json(exam) for exam in back] == [to_json(exam) for exam in several]


@few
@given(exams(CATALOGUE), st.sampled_from([";", "\t"]), st.booleans())
def test_csv_delimiters_and_order_of_rows(exam: Exam, delimiter: str, bom: bool) -> None:
    rows = list(csv.reader(io.StringIO(to_csv([exam]), newline="")))
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter).writerows(rows)
    data = out.getvalue().encode("utf-8-sig" if bom else "utf-8")
    assert read(data, "") == [exam]


@few
@given(exams(CATALOGUE, max_items=30))
def test_an_exam_lacks_exactly_what_it_does_not_hold(exam: Exam) -> None:
    held = {finding.item for finding in exam.findings}
    gaps = completeness(exam, CATALOGUE)
    assert not {gap.item for gap in gaps if gap.side is None} & held
    assert {gap.item for gap in gaps if gap.side is not None} <= held
