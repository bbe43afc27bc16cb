"""Which version of an exam counts, in whatever order they come."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.derive.versions import current_versions, may_amend
from adapter.exam import Exam, Status
from tests.deidentify.identified_exams import exam_of, twin


def at(hours: int) -> datetime:
    return twin(1).birth_time + timedelta(hours=hours)


FIRST = exam_of(twin(1), "one", 10)
AMENDED = exam_of(twin(1), "two", 10, status=Status.AMENDED, amends="one", reason="left and right", recorded=at(20))
AGAIN = exam_of(twin(1), "three", 10, status=Status.AMENDED, amends="one", reason="again", recorded=at(21))
CHAINED = exam_of(twin(1), "chained", 10, status=Status.AMENDED, amends="two", reason="more", recorded=at(30))
LATE = exam_of(twin(1), "late", 10, status=Status.AMENDED, amends="three", reason="late", recorded=at(31))
RETRACTED = exam_of(twin(1), "four", 10, status=Status.ENTERED_IN_ERROR, amends="one", reason="wrong infant")
OTHER = exam_of(twin(2), "five", 10)


def current(exams: list[Exam]) -> list[str]:
    return [exam.details.id for exam in current_versions(exams)]


@given(st.permutations([FIRST, AMENDED, RETRACTED, OTHER]))
def test_a_retraction_goes_before_an_amendment_and_that_before_the_first(exams: list[Exam]) -> None:
    assert sorted(current(exams)) == ["five", "four"]


@given(st.permutations([FIRST, AMENDED, AGAIN, CHAINED, LATE]))
def test_of_amendments_what_they_say_decides_and_never_the_order(exams: list[Exam]) -> None:
    """Deeper in the chain before less deep; of two as deep the one recorded later."""
    assert current(exams) == ["late"]
    assert current([exam for exam in exams if exam is not LATE]) == ["chained"]
    assert current([exam for exam in exams if exam in (FIRST, AMENDED, AGAIN)]) == ["three"]


def test_an_amendment_whose_first_version_is_not_there_counts() -> None:
    assert current([AMENDED, OTHER]) == ["two", "five"]


def test_the_same_version_counts_once() -> None:
    assert current([OTHER, FIRST, OTHER]) == ["five", "one"]


@pytest.mark.parametrize(
    ("content", "marked"),
    [
        (b'{"exam": {"amends": "x"}}', True),
        (b"x" * (1 << 20) + b'"status": "entered-in-error"', True),
        (b"x" * ((1 << 20) - 3) + b"amended", True),  # across the border of two pieces
        (b'{"exam": {"id": "x"}}', False),
    ],
)
def test_files_that_could_hold_one(content: bytes, marked: bool, tmp_path: Path) -> None:
    (tmp_path / "f.json").write_bytes(content)
    assert may_amend(tmp_path / "f.json") is marked
    assert not may_amend(tmp_path / "none.json")
