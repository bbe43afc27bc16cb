"""Which version of an exam counts, in whatever order they come."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.derive.versions import Versions, may_amend
from adapter.exam import Exam, Status
from tests.deidentify.identified_exams import exam_of, twin

FIRST = exam_of(twin(1), "one", 10)
AMENDED = exam_of(twin(1), "two", 10, status=Status.AMENDED, amends="one", reason="left and right")
AGAIN = exam_of(twin(1), "three", 10, status=Status.AMENDED, amends="one", reason="again")
RETRACTED = exam_of(twin(1), "four", 10, status=Status.ENTERED_IN_ERROR, amends="one", reason="wrong infant")
OTHER = exam_of(twin(2), "five", 10)


def current(exams: list[Exam]) -> tuple[list[str], Versions]:
    versions = Versions()
    for exam in exams:
        versions.see(exam)
    return [exam.details.id for exam in exams if versions.current(exam)], versions


@given(st.permutations([FIRST, AMENDED, RETRACTED, OTHER]))
def test_a_retraction_goes_before_an_amendment_and_that_before_the_first(exams: list[Exam]) -> None:
    found, versions = current(exams)
    assert sorted(found) == ["five", "four"]
    assert (versions.superseded, versions.repeated) == (2, 0)


def test_of_two_amendments_the_later_one_counts() -> None:
    assert current([FIRST, AMENDED, AGAIN])[0] == ["three"]
    assert current([AGAIN, FIRST, AMENDED])[0] == ["two"]


def test_an_amendment_whose_first_version_is_not_there_counts() -> None:
    assert current([AMENDED, OTHER])[0] == ["two", "five"]


def test_the_same_version_counts_once() -> None:
    found, versions = current([OTHER, FIRST, OTHER])
    assert found == ["five", "one"]
    assert versions.repeated == 1


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
