"""Small exams of invented newborns, told apart by a key, so that many runs can share one server."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from decimal import Decimal

from adapter.exam import (
    Exam,
    ExamDetails,
    Examiner,
    Finding,
    Identifier,
    Mother,
    Newborn,
    Quantity,
    Sex,
    Side,
    Status,
)

STARTED = datetime(2026, 3, 1, 8, 30, tzinfo=timezone(timedelta(hours=1)))
NURSE = Examiner(name="N. Invented", role="nurse", identifier=Identifier(system="urn:oid:2.999.2", value="N-1"))


def newborn(key: str) -> Newborn:
    return Newborn(
        identifiers=(Identifier(system="urn:oid:2.999.1", value=f"baby-{key}"),),
        name=f"Girl Testling-{key}",
        sex=Sex.FEMALE,
        birth_time=STARTED - timedelta(hours=10),
        mother=Mother(identifiers=(Identifier(system="urn:oid:2.999.1", value=f"mother-{key}"),)),
    )


def exam(key: str, *, rate: int = 44, crying: bool = False, cry: bool = True) -> Exam:
    """The exam of newborn ``key`` as first recorded: nine findings, or eight without the cry."""
    return Exam(
        exam=ExamDetails(id=f"x-{key}", kind="initial", started=STARTED, examiners=(NURSE,)),
        newborn=newborn(key),
        findings=findings(rate, crying, cry),
    )


def amended(first: Exam, number: int = 2, *, rate: int = 52, cry: bool = False) -> Exam:
    """A later version, recorded ``number`` hours after the exam: another respiratory rate, and the cry, once
    recorded, is not there any more."""
    details = first.details.model_copy(
        update={
            "id": f"{first.details.id}-v{number}",
            "status": Status.AMENDED,
            "recorded": STARTED + timedelta(hours=number),
            "amends": first.details.id,
            "reason": "Counted again.",
        }
    )
    return Exam(exam=details, newborn=first.newborn, findings=findings(rate, False, cry))


def retracted(first: Exam) -> Exam:
    """The exam taken back: recorded for the wrong baby."""
    details = first.details.model_copy(
        update={
            "id": f"{first.details.id}-taken-back",
            "status": Status.ENTERED_IN_ERROR,
            "amends": first.details.id,
            "reason": "Another baby.",
        }
    )
    return Exam(exam=details, newborn=first.newborn, findings=())


def findings(rate: int, crying: bool, cry: bool) -> tuple[Finding, ...]:
    pulse = Finding(item="femoral_pulse", side=Side.RIGHT, value="equal_easy")
    if crying:
        pulse = Finding(item="femoral_pulse", side=Side.RIGHT, not_examined="crying")
    found = [
        Finding(item="respiratory_rate", value=Quantity(value=Decimal(rate), unit="/min")),
        Finding(item="birth_weight", value=Quantity(value=Decimal("3.10"), unit="kg")),
        Finding(item="temperature", site="axilla", value=Quantity(value=Decimal("36.90"), unit="Cel")),
        Finding(item="femoral_pulse", side=Side.LEFT, value="equal_easy"),
        pulse,
        Finding(item="breath_sounds", side=Side.LEFT, value="clear_equal"),
        Finding(item="grunting", value="absent"),
        Finding(item="alertness", value="rouses_easily_settles"),
    ]
    return (*found, Finding(item="cry", value="strong_lusty", note="Loud.")) if cry else tuple(found)
