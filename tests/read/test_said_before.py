"""What a check of a finding by itself found of one finding is not taken for another that says something else."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Finding, Side
from adapter.read import check_exam, read_captures, to_json

SOUND = Finding(item="femoral_pulse", value="weak", side=Side.LEFT)
OTHERWISE: dict[str, tuple[dict[str, Any], str]] = {
    "side": ({"side": Side.BOTH}, "side-both"),
    "no side": ({"side": None}, "side-missing"),
    "site": ({"site": "heel"}, "site-not-allowed"),
    "state": ({"state": "no_such_state"}, "unknown-state"),
    "method": ({"method": "no_such_method"}, "unknown-method"),
    "answer": ({"value": "no_such_answer"}, "unknown-answer"),
    "reason": ({"value": None, "not_examined": "no_such_reason"}, "unknown-reason"),
}


def rules(exam: Exam, finding: Finding, catalogue: Catalogue) -> list[str]:
    found = check_exam(exam.model_copy(update={"findings": (finding,)}), catalogue)
    return [one.rule for one in found if one.item]


@pytest.mark.parametrize("what", OTHERWISE)
def test_what_differs_is_looked_at_anew(what: str, every: list[Exam], catalogue: Catalogue) -> None:
    said, rule = OTHERWISE[what]
    assert rules(every[0], SOUND, catalogue) == []
    assert rule in rules(every[0], SOUND.model_copy(update=said), catalogue)
    assert rule in rules(every[0], SOUND.model_copy(update=said), catalogue), "and so each time"
    assert rules(every[0], SOUND, catalogue) == []


@pytest.mark.parametrize(
    ("said", "kept"),
    [({}, True), ({"note": "of this infant"}, False), ({"value": None, "text": "of this infant"}, False)],
)
def test_of_what_was_read_ids_alone_are_kept(
    said: dict[str, Any], kept: bool, every: list[Exam], catalogue: Catalogue
) -> None:
    """A finding without words, times and numbers of its own is one for all exams; any other is the exam's own."""
    exam = every[0].model_copy(update={"findings": (SOUND.model_copy(update=said),)})
    record = to_json(exam)
    first, again = (next(iter(read_captures(BytesIO(record), catalogue))).exam for _ in range(2))
    assert first is not None
    assert again is not None
    assert first.findings == again.findings == exam.findings
    assert (first.findings[0] is again.findings[0]) is kept
