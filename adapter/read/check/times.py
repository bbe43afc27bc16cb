"""When: nothing before birth, nothing outside the exam, without ever looking at this machine's clock."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal

from adapter.catalogue import ItemType
from adapter.exam import At, Quantity
from adapter.problems import Problem
from adapter.read.check.subject import Placed, Subject

# An exam whose end was not given: a finding later than this after its start is doubtful.
_LONGEST = timedelta(hours=12)

# A weight that equals the birth weight this long after birth is likely a copy (common practice: newborns lose
# weight in the first days).
_COPIED_AFTER = timedelta(hours=48)

# So many expected findings in one and the same minute look like a filled template.
_TEMPLATE = 40


def check_times(subject: Subject) -> Iterator[Problem]:
    """Born after the exam; findings before birth or outside the exam; copied weights; one minute for all."""
    details, newborn = subject.details, subject.newborn
    if details is not None and newborn is not None and newborn.birth_time > details.started:
        yield subject.place("/newborn/birth_time").error(
            "born-after-exam",
            f"born {_gap(details.started, newborn.birth_time)} after the exam started",
            "a birth time before the exam; check both dates and both offsets",
        )
    else:
        for placed in subject.findings:
            if placed.finding.observed_at is not None:
                yield from _observed(placed, placed.finding.observed_at, subject)
            if isinstance(placed.finding.value, At) and placed.item.type is ItemType.TIME:
                moment = placed.finding.value.time
                wrong = list(_between(placed, "value/time", moment, subject))
                yield from wrong or _long_after(placed, "value/time", moment, subject)
        yield from _age_of_kind(subject)
    yield from _copied_weight(subject)
    yield from _one_minute(subject)


def _age_of_kind(subject: Subject) -> Iterator[Problem]:
    """An infant whose age is not that of the kind of exam: most often a slip in the year or the month of birth."""
    details, newborn = subject.details, subject.newborn
    kind = subject.catalogue.kinds.get(details.kind) if details is not None else None
    if details is None or newborn is None or kind is None or kind.age_hours is None:
        return
    lived = details.started - newborn.birth_time
    if not kind.age_hours.holds(Decimal(lived // timedelta(microseconds=1)) / 3_600_000_000):
        yield subject.place("/newborn/birth_time").warning(
            "age-not-of-kind",
            f"{lived / timedelta(hours=1):.0f} hours old when this exam began, which is of {kind.age_hours} hours",
            "check date and year of birth, the exam's start, and the kind of exam",
        )


def _observed(placed: Placed, moment: datetime, subject: Subject) -> Iterator[Problem]:
    details = subject.details
    early = list(_between(placed, "observed_at", moment, subject))
    yield from early
    if early or details is None:
        return
    if moment < details.started and not _may_precede(placed, subject):
        yield placed.error(
            "observed_at",
            "before-exam",
            f"observed {_gap(moment, details.started)} before the exam started",
            "a time within the exam; a finding of another time belongs to an exam of its own",
        )
    else:
        yield from _long_after(placed, "observed_at", moment, subject)


def _long_after(placed: Placed, field: str, moment: datetime, subject: Subject) -> Iterator[Problem]:
    details = subject.details
    if details is not None and details.ended is None and moment - details.started > _LONGEST:
        yield placed.warning(
            field,
            "long-after-start",
            f"observed {_gap(details.started, moment)} after the exam started, and the exam has no end",
            "give the exam's end; check date and offset",
        )


def _between(placed: Placed, field: str, moment: datetime, subject: Subject) -> Iterator[Problem]:
    """After birth and before the exam's end: true of every finding."""
    details, newborn = subject.details, subject.newborn
    if newborn is not None and moment < newborn.birth_time:
        yield placed.error(
            field,
            "before-birth",
            f"{_gap(moment, newborn.birth_time)} before birth",
            "a time after birth; check date and offset of both",
        )
    elif details is not None and details.ended is not None and moment > details.ended:
        yield placed.error(
            field,
            "after-exam",
            f"{_gap(details.ended, moment)} after the exam ended",
            "a time within the exam, or a later end of the exam",
        )


def _may_precede(placed: Placed, subject: Subject) -> bool:
    """Results that exist before the exam starts and are entered with it lie between birth and the exam's end."""
    return subject.catalogue.may_precede(placed.item) or placed.finding.method == "history"


def _gap(early: datetime, late: datetime) -> str:
    minutes = round((late - early) / timedelta(minutes=1))
    if minutes < 1:
        return "less than a minute"
    hours, rest = divmod(minutes, 60)
    return " ".join(part for part in (f"{hours} h" if hours else "", f"{rest} min" if rest else "") if part)


def _copied_weight(subject: Subject) -> Iterator[Problem]:
    if subject.details is None or subject.newborn is None:
        return
    at_birth = [p.finding.value for p in subject.findings if p.item.id == "birth_weight"]
    for placed in subject.findings if at_birth else ():
        value = placed.finding.value
        if placed.item.id != "weight" or not isinstance(value, Quantity) or value not in at_birth:
            continue
        when = placed.finding.observed_at or subject.details.started
        if when - subject.newborn.birth_time > _COPIED_AFTER:
            yield placed.warning(
                "value",
                "weight-equals-birth-weight",
                f"{value} is the birth weight, digit for digit, more than 48 h after birth",
                "the weight of today; keep it if it was really measured again",
            )


def _one_minute(subject: Subject) -> Iterator[Problem]:
    timed = [p for p in subject.findings if p.finding.observed_at is not None and p.finding.not_examined is None]
    minutes = {p.finding.observed_at.replace(second=0, microsecond=0) for p in timed if p.finding.observed_at}
    if len(timed) > _TEMPLATE and len(minutes) == 1 and all(_expected(p) for p in timed):
        yield subject.place("/findings").warning(
            "one-minute-for-all",
            f"{len(timed)} findings, all as expected, all observed in the same minute",
            "leave observed_at out where it is only the time of entry; was every item really looked at?",
        )


def _expected(placed: Placed) -> bool:
    answer = placed.item.answer(placed.finding.answer) if placed.finding.answer else None
    return placed.finding.text is None and (answer is None or answer.meaning == "expected")
