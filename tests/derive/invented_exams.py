"""Small invented exams for tests of what is derived."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal

from adapter.exam import Exam, ExamDetails, Examiner, Finding, Gestation, Identifier, Newborn, Quantity, Sex

BORN = datetime.fromisoformat("2026-05-04T03:20:00+02:00")


def exam(
    *findings: Finding,
    born: datetime = BORN,
    started: datetime | None = None,
    hours: str = "20",
    gestation: Gestation | None = None,
    sex: Sex = Sex.FEMALE,
) -> Exam:
    """An invented exam, so many hours after birth unless its start is given."""
    newborn = Newborn(
        identifiers=(Identifier(system="https://example.org/mrn", value="B-1"),),
        sex=sex,
        birth_time=born,
        gestation=gestation,
    )
    begun = started or born + timedelta(seconds=int(Decimal(hours) * 3600))
    examiner = Examiner(name="Example Examiner", role="midwife")
    return Exam(
        details=ExamDetails(id="inv-1", kind="initial", started=begun, examiners=(examiner,)),
        newborn=newborn,
        findings=findings,
    )


def measured(item: str, value: str, unit: str, **more: object) -> Finding:
    """A measured finding."""
    return Finding(item=item, value=Quantity(value=Decimal(value), unit=unit), **more)
