"""Postmenstrual age and the names of term, by the AAP's age terminology (Pediatrics 2004;114:1362) and Engle 2006."""

from __future__ import annotations

import pytest
from scenes import scene

from adapter.catalogue import Catalogue
from adapter.derive import age_in_words, postmenstrual_days, term_class


@pytest.mark.parametrize(
    ("weeks", "days", "hours", "expected"),
    [
        (36, 2, "60", "36+4"),  # worked: 254 d and two completed days
        (36, 2, "47.99", "36+3"),
        (36, 2, "48", "36+4"),
        (39, 6, "24", "40+0"),
    ],
)
def test_postmenstrual_age(weeks: int, days: int, hours: str, expected: str) -> None:
    exam = scene(weeks=weeks, days=days, hours=hours)
    found = postmenstrual_days(exam, exam.details.started)
    assert found is not None
    assert f"{found // 7}+{found % 7}" == expected


def test_without_the_days_there_is_no_postmenstrual_age(catalogue: Catalogue) -> None:
    for weeks, days in ((39, None), (None, None)):
        exam = scene(weeks=weeks, days=days)
        assert postmenstrual_days(exam, exam.details.started) is None
        assert "not known" in age_in_words(exam, catalogue.words)


@pytest.mark.parametrize(
    ("weeks", "days", "name"),
    [
        (33, 6, "preterm"),
        (34, 0, "late preterm"),
        (36, 6, "late preterm"),
        (37, 0, "term"),
        (41, 6, "term"),
        (42, 0, "post-term"),
    ],
)
def test_the_names_of_term(weeks: int, days: int, name: str, catalogue: Catalogue) -> None:
    assert term_class(weeks * 7 + days) == name
    words = age_in_words(scene(weeks=weeks, days=days), catalogue.words)
    assert f"({name})" in words
    assert ("do not apply" in words) is (weeks < 34)
