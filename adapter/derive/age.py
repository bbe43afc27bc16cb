"""When a finding was made, and how old the newborn was: exact across offsets and clock changes."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal

from adapter.catalogue import Item
from adapter.exam import Exam, Finding

_HOUR = Decimal(3600)


def made_at(finding: Finding, item: Item, exam: Exam) -> datetime:
    """When a finding was made: its own time, else the moment of birth it belongs to, else the exam's start."""
    if finding.observed_at is not None:
        return finding.observed_at
    if item.minutes_after_birth is not None:
        return exam.newborn.birth_time + timedelta(minutes=item.minutes_after_birth)
    return exam.details.started


def age_hours(exam: Exam, moment: datetime) -> Decimal:
    """Hours of life at a moment. Both times carry an offset, so the difference is that of instants."""
    lived = moment - exam.newborn.birth_time
    seconds = Decimal(lived.days * 86400 + lived.seconds) + Decimal(lived.microseconds) / 1_000_000
    return seconds / _HOUR


def gestation_weeks(exam: Exam) -> Decimal | None:
    """Gestation at birth in weeks with the days as sevenths, or None where it is not known."""
    gestation = exam.newborn.gestation
    if gestation is None:
        return None
    return Decimal(gestation.weeks) + Decimal(gestation.days or 0) / 7
