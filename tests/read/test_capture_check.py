"""What is warned of, what is let pass, and how an exam in hand is checked; the refusals are in tests/wrong."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest

from adapter.catalogue import load_catalogue
from adapter.exam import Exam
from adapter.problems import Problem, Severity
from adapter.read import check_exam

CATALOGUE = load_catalogue()
STARTED = datetime.fromisoformat("2026-03-05T09:00:00+01:00")
BORN = datetime.fromisoformat("2026-03-01T22:05:00+01:00")


def exam(*findings: dict[str, Any], sex: str = "female", ended: datetime | None = None, **details: Any) -> Exam:
    return Exam.model_validate(
        {
            "exam": {
                "id": "c-1",
                "kind": "shift",
                "started": STARTED,
                "ended": ended or STARTED + timedelta(minutes=30),
                "examiners": [{"name": "A. Example", "role": "nurse"}],
                **details,
            },
            "newborn": {"identifiers": [{"system": "mrn", "value": "B-1"}], "sex": sex, "birth_time": BORN},
            "findings": findings,
        }
    )


def found(*findings: dict[str, Any], **more: Any) -> list[Problem]:
    return check_exam(exam(*findings, **more), CATALOGUE)


def rules(*findings: dict[str, Any], **more: Any) -> dict[str, Severity]:
    return {problem.rule: problem.severity for problem in found(*findings, **more)}


def quantity(value: str, unit: str, **more: Any) -> dict[str, Any]:
    return {"value": Decimal(value), "unit": unit, **more}


RATE = quantity("44", "/min")
WARNED = [
    ("short-count", [{"item": "respiratory_rate", "value": RATE, "counted_seconds": 30}]),
    ("implausible-value", [{"item": "respiratory_rate", "value": quantity("130", "/min")}]),
    ("state-not-asked", [{"item": "weight", "value": quantity("3310", "g"), "state": "crying"}]),
    ("unusual-method", [{"item": "heart_rate", "value": quantity("140", "/min"), "method": "skin_meter"}]),
    ("text-is-an-answer", [{"item": "respiratory_pattern", "text": "Gasping"}]),
    (
        "expected-and-abnormal",
        [{"item": "movements", "value": v} for v in ("symmetrical_all_limbs", "suspected_seizure")],
    ),
    (
        "weight-equals-birth-weight",
        [{"item": i, "value": quantity("3310", "g")} for i in ("birth_weight", "weight")],
    ),
    (
        "do-not-go-together",
        [
            {"item": "sacral_dimple_diameter", "value": quantity("4", "mm")},
            {"item": "spine_midline_skin", "value": "intact_clear"},
        ],
    ),
    ("sex-and-genital-type", [{"item": "genital_type", "value": "typical_male"}]),
]


@pytest.mark.parametrize(("rule", "findings"), WARNED, ids=[rule for rule, _ in WARNED])
def test_warned_and_accepted(rule: str, findings: list[dict[str, Any]]) -> None:
    assert rules(*findings) == {rule: Severity.WARNING}


LET_PASS = [
    [{"item": "respiratory_rate", "value": RATE, "counted_seconds": 60, "state": "quiet_alert"}],
    [{"item": "birth_weight", "value": quantity("7", "lb", plus=quantity("4", "oz"))}],
    [{"item": "weight", "value": quantity("3.31", "KG")}],
    [{"item": "temperature", "value": quantity("98.2", "°F"), "site": "axilla"}],
    [
        {
            "item": "blood_pressure",
            "value": {"components": {"systolic": 65, "diastolic": 41}, "unit": "mmHg"},
            "site": s,
        }
        for s in ("right_arm", "left_leg")
    ],
    [
        {"item": "blood_pressure", "value": {"components": {"systolic": 8.1, "diastolic": 5}, "unit": "kPa"}}
        | {"site": "right_arm"}
        for _ in range(1)
    ],
    [{"item": "moro", "side": side, "value": "complete_symmetrical"} for side in ("left", "right")],
    [{"item": "knee_height", "value": "level"}],
    [{"item": "knee_height", "value": "level", "side": "both"}],
    [{"item": "leg_symmetry", "value": "deformed_or_swollen", "side": "left"}],
    [{"item": "testis", "side": side, "not_examined": "not_applicable"} for side in ("left", "right")],
    [
        {"item": "genital_type", "value": "atypical"},
        {"item": "testis", "side": "left", "value": "not_felt"},
        {"item": "labia_clitoris", "value": "clitoris_large"},
    ],
    [{"item": "oxygen_saturation", "value": quantity("98", "%"), "site": s} for s in ("right_hand", "left_foot")],
    [{"item": "temperature", "not_examined": "equipment_absent"}],
    [{"item": "apgar_5_min", "value": {"total": 9}, "observed_at": BORN + timedelta(minutes=5)}],
    [{"item": "first_stool", "value": {"time": BORN + timedelta(hours=6)}}],
    [{"item": "first_stool", "value": "none_by_24h"}],
    [{"item": "birth_weight", "value": quantity("3310", "g"), "observed_at": BORN + timedelta(hours=1)}],
    [{"item": "preauricular", "side": s, "value": v} for s, v in (("left", "none_seen"), ("right", "single_tag"))],
    [{"item": "other_skin", "text": "A mark on the left shin"}, {"item": "other_skin", "text": "Dry heels"}],
]


@pytest.mark.parametrize("findings", LET_PASS, ids=lambda findings: findings[0]["item"])
def test_nothing_to_say(findings: list[dict[str, Any]]) -> None:
    exact = [_decimals(finding) for finding in findings]
    assert [str(p) for p in found(*exact)] == []


def _decimals(finding: Any) -> Any:
    if isinstance(finding, dict):
        return {key: _decimals(value) for key, value in finding.items()}
    return Decimal(str(finding)) if isinstance(finding, float) else finding


def test_a_computed_item_by_hand_is_only_remarked() -> None:
    told = rules({"item": "weight_change_percent", "value": quantity("-3.9", "%")})
    assert told == {"computed-by-hand": Severity.INFORMATION}


def test_the_captured_and_the_converted_value_are_both_named() -> None:
    (problem,) = found({"item": "length", "value": quantity("50", "in")})
    assert problem.severity is Severity.ERROR
    assert "50 in (127 cm)" in problem.what  # an inch is 2.54 cm (NIST Handbook 44, appendix C)
    assert "50 cm" in problem.remedy
    assert problem.where == "/findings/0/value"


def test_a_weight_measured_again_is_no_copy() -> None:
    birth = {"item": "birth_weight", "value": quantity("3310", "g")}
    assert not found(birth, {"item": "weight", "value": quantity("3310.0", "kg") | quantity("3305", "g")})
    early = {"item": "weight", "value": quantity("3310", "g"), "observed_at": BORN + timedelta(hours=100)}
    assert "weight-equals-birth-weight" in rules(birth, early, ended=BORN + timedelta(hours=101))


def test_one_minute_for_every_finding_is_doubted() -> None:
    def all_at(moment: datetime) -> list[dict[str, Any]]:
        plain = [i for i in CATALOGUE.items.values() if i.type == "choice" and i.sides == "none" and not i.sex]
        expected = [(i.id, a.id) for i in plain for a in i.answers[:1] if a.meaning == "expected"][:45]
        return [{"item": i, "value": a, "observed_at": moment} for i, a in expected]

    same = all_at(STARTED + timedelta(minutes=3))
    assert len(same) > 40
    assert rules(*same).get("one-minute-for-all") is Severity.WARNING
    same[0]["observed_at"] = STARTED + timedelta(minutes=4)
    assert "one-minute-for-all" not in rules(*same)


def test_no_end_of_the_exam_and_a_finding_long_after() -> None:
    moment = STARTED + timedelta(hours=30)
    endless = exam().details.model_copy(update={"ended": None})
    for late in (
        {"item": "respiratory_pattern", "value": "gasping", "observed_at": moment},
        {"item": "first_stool", "value": {"time": moment}, "method": "history"},
    ):
        told = check_exam(exam(late).model_copy(update={"details": endless}), CATALOGUE)
        assert [p.rule for p in told] == ["long-after-start"], late


def test_what_was_told_of_an_earlier_time_lies_before_the_exam() -> None:
    seen = {"item": "respiratory_pattern", "value": "gasping", "observed_at": STARTED - timedelta(hours=1)}
    assert "before-exam" in rules(seen)
    assert "before-exam" not in rules(seen | {"method": "history"})


def test_an_offset_moves_nothing() -> None:
    """09:10 in Berlin is 08:10 UTC: written in any offset a finding stays inside the exam."""
    within = (STARTED + timedelta(minutes=10)).isoformat()
    elsewhere = "2026-03-05T03:10:00-05:00"
    assert datetime.fromisoformat(within) == datetime.fromisoformat(elsewhere)
    assert not found({"item": "respiratory_pattern", "value": "gasping", "observed_at": elsewhere})
