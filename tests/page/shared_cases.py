"""The table of cases that both sides must meet, as exams."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import yaml

from adapter.exam import Exam

BORN = datetime.fromisoformat("2026-03-01T00:30:00+01:00")
CASES: list[dict[str, Any]] = yaml.safe_load(Path(__file__).with_name("cases.yaml").read_text(encoding="utf-8"))


def exam_of(case: dict[str, Any]) -> Exam:
    """The exam of a case: an invented term girl, 8 hours old where the case says nothing else."""
    started = BORN + timedelta(hours=case.get("age_hours", 8))
    return Exam.model_validate(
        {
            "exam": {
                "id": "case",
                "kind": "initial",
                "started": started,
                "examiners": [{"name": "N. Invented", "role": "nurse"}],
            },
            "newborn": {
                "identifiers": [{"system": "mrn", "value": "1"}],
                "sex": "female",
                "birth_time": BORN,
                "gestation": case.get("gestation", {"weeks": 39, "days": 2}),
            },
            "findings": _digits(case["findings"]),
        }
    )


def _digits(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _digits(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_digits(one) for one in value]
    return Decimal(str(value)) if isinstance(value, float) else value


def met(case: dict[str, Any], said: dict[str, Any]) -> None:
    """That one side says what the case wants; ``said`` has the shape of :mod:`both_sides`."""
    told = [[urgency, rule] for urgency, rule, _, _, to_do, *_ in said["told"] if urgency != "none"]
    assert told == case.get("told", []), case["name"]
    assert sorted(rule for _, rule, _ in said["problems"]) == sorted(case.get("problems", [])), case["name"]
    flags = {item: flag for item, _, _, flag in said["judged"]}
    for item, flag in case.get("flags", {}).items():
        assert flags[item] == flag, case["name"]
    places = {item: n for n, (item, *_) in enumerate(said["judged"])}
    for item, why in case.get("not_judged", {}).items():
        assert said["notJudged"][places[item]] == why, case["name"]
    for item, words in case.get("words", {}).items():
        assert said["words"][item] == words, case["name"]
