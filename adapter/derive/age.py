"""When a finding was made, and how old the newborn was: exact across offsets and clock changes."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import ROUND_HALF_UP, Decimal

from adapter.catalogue import Item, Words
from adapter.catalogue.words import key_of
from adapter.exam import Exam, Finding

_HOUR = Decimal(3600)
_RANGES_FROM = 34 * 7


def made_at(finding: Finding, item: Item, exam: Exam) -> datetime:
    """When a finding was made: its own time, else the moment of birth it belongs to, else the exam's start."""
    if finding.observed_at is not None:
        return finding.observed_at
    if item.minutes_after_birth is not None:
        return exam.newborn.birth_time + timedelta(minutes=item.minutes_after_birth)
    return exam.details.started


def age_hours(exam: Exam, moment: datetime) -> Decimal:
    """Hours of life at a moment."""
    return hours_between(exam.newborn.birth_time, moment)


def hours_between(first: datetime, last: datetime) -> Decimal:
    """Hours from one moment to another. Both carry an offset, so the difference is that of instants."""
    lived = last - first
    seconds = Decimal(lived.days * 86400 + lived.seconds) + Decimal(lived.microseconds) / 1_000_000
    return seconds / _HOUR


def gestation_weeks(exam: Exam) -> Decimal | None:
    """Gestation at birth in weeks with the days as sevenths, or None where it is not known."""
    gestation = exam.newborn.gestation
    if gestation is None:
        return None
    return Decimal(gestation.weeks) + Decimal(gestation.days or 0) / 7


def postmenstrual_weeks(exam: Exam, moment: datetime) -> Decimal | None:
    """Gestation at birth and the time since, in weeks; None where the gestation is not known."""
    gestation = exam.newborn.gestation
    if gestation is None:
        return None
    return (gestation.weeks * 168 + (gestation.days or 0) * 24 + age_hours(exam, moment)) / 168


def gestation_days(exam: Exam) -> int | None:
    """Gestation at birth in completed days; None where it or its days are not known."""
    gestation = exam.newborn.gestation
    if gestation is None or gestation.days is None:
        return None
    return gestation.weeks * 7 + gestation.days


def postmenstrual_days(exam: Exam, moment: datetime) -> int | None:
    """Gestation at birth and the completed days since (AAP age terminology, Pediatrics 2004;114:1362)."""
    born = gestation_days(exam)
    return None if born is None else born + int(age_hours(exam, moment) // 24)


def term_class(days: int) -> str:
    """Preterm under 37+0, of it late preterm from 34+0; term to 41+6; post-term from 42+0 (as for S27)."""
    if days < 238:
        return "preterm"
    if days < 259:
        return "late preterm"
    return "term" if days < 294 else "post-term"


def age_in_words(exam: Exam, words: Words) -> str:
    """How old the infant is at the exam's start, born at which gestation: never an age that was not recorded."""
    started, gestation = exam.details.started, exam.newborn.gestation
    hours = age_hours(exam, started).quantize(Decimal("0.1"), ROUND_HALF_UP)
    born, now = gestation_days(exam), postmenstrual_days(exam, started)
    if gestation is None:
        return words.say("age.no_gestation", hours=hours)
    if born is None or now is None:
        return words.say("age.no_days", hours=hours, weeks=gestation.weeks)
    term = words.say(f"age.term.{key_of(term_class(born))}")
    key = "age.known" if born >= _RANGES_FROM else "age.known_early"
    return words.say(key, hours=hours, born=weeks_in_words(born, words), term=term, now=weeks_in_words(now, words))


def weeks_in_words(days: int, words: Words) -> str:
    """Completed weeks and days: ``38+4``."""
    return words.say("age.days", weeks=days // 7, days=days % 7)
