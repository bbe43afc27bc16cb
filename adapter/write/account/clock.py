"""Times as people read them."""

from __future__ import annotations

from datetime import datetime

from adapter.exam import Exam


def moment(at: datetime) -> str:
    """A time as people read it, to the minute, with the offset it was recorded with."""
    return at.isoformat(sep=" ", timespec="minutes")


def time_of(at: datetime, exam: Exam) -> str:
    """A time within the exam: the clock alone where day and offset are those of the exam's start."""
    started = exam.details.started
    same = at.date() == started.date() and at.utcoffset() == started.utcoffset()
    return at.strftime("%H:%M") if same else moment(at)
