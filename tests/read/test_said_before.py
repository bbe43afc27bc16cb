"""What a check of a finding by itself found of one finding is not taken for another that says something else."""

from __future__ import annotations

from typing import Any

import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Finding, Side
from adapter.read import check_exam

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
