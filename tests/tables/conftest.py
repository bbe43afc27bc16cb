"""Exams for every table: of the first of those that use everything, somebody was told."""

from __future__ import annotations

import pytest

from adapter.catalogue import Catalogue
from adapter.derive.every_use import every_exam
from adapter.exam import Exam
from tests.told.told_exams import with_tellings


@pytest.fixture(scope="session")
def every(catalogue: Catalogue) -> list[Exam]:
    """Exams that together use every item and answer of the shipped catalogue."""
    first, *others = every_exam(catalogue)
    return [with_tellings(first), *others]
