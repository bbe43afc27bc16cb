"""Small invented exams for tests of the mapping."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from adapter.exam import (
    Exam,
    ExamDetails,
    Examiner,
    Finding,
    Gestation,
    Identifier,
    Mother,
    Newborn,
    Quantity,
    Score,
    Sex,
    Side,
)

BORN = datetime.fromisoformat("2026-05-04T03:20:00+02:00")
MRN = "https://example.org/mrn"
FINDINGS = (
    Finding(item="heart_rate", value=Quantity(value=Decimal(142), unit="/min"), state="quiet_alert"),
    Finding(item="temperature", value=Quantity(value=Decimal("36.80"), unit="Cel"), site="axilla"),
    Finding(item="birth_weight", value=Quantity(value=Decimal("3.10"), unit="kg")),
    Finding(item="weight", value=Quantity(value=Decimal(3010), unit="g")),
    Finding(item="skin_colour", value="usual_for_family_mucosa_pink"),
    Finding(item="femoral_pulse", value="weak", side=Side.LEFT),
    Finding(item="femoral_pulse", value="equal_easy", side=Side.RIGHT),
    Finding(item="red_reflex", not_examined="eyes_not_open", side=Side.LEFT),
    Finding(item="apgar_5_min", value=Score(total=9)),
)


def exam(findings: tuple[Finding, ...] = FINDINGS, newborn: dict[str, Any] | None = None, **details: Any) -> Exam:
    """An invented exam 20 hours after birth; fields may be replaced."""
    person: dict[str, Any] = {
        "identifiers": (Identifier(system=MRN, value="B-1"),),
        "sex": Sex.FEMALE,
        "birth_time": BORN,
        "gestation": Gestation(weeks=39, days=2),
    }
    about: dict[str, Any] = {
        "id": "inv-1",
        "kind": "initial",
        "started": BORN + timedelta(hours=20),
        "examiners": (Examiner(name="Example Examiner", role="midwife"),),
    }
    return Exam(
        details=ExamDetails(**about | details), newborn=Newborn(**person | (newborn or {})), findings=findings
    )


def mother(value: str = "M-1") -> Mother:
    """An invented mother."""
    return Mother(identifiers=(Identifier(system=MRN, value=value),), name="Example Mother")
