"""The shared table of cases, by the adapter; the page's script meets the same in test_page_agreement.py."""

from __future__ import annotations

from typing import Any

import pytest
from both_sides import adapter_says
from shared_cases import CASES, exam_of, met

from adapter.catalogue import Catalogue


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["name"])
def test_the_adapter_meets_the_case(case: dict[str, Any], catalogue: Catalogue) -> None:
    met(case, adapter_says(exam_of(case), catalogue))


def test_the_table_tries_both_ways(catalogue: Catalogue) -> None:
    """Some cases are told and some are not, some are faulty and some are not: neither can pass by silence."""
    for key in ("told", "problems"):
        assert {bool(case.get(key)) for case in CASES} == {True, False}
    assert all(case["source"] for case in CASES)
