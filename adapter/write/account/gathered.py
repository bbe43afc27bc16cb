"""Everything that is said of one exam, worked out once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from adapter.catalogue import Catalogue
from adapter.derive import (
    Changes,
    Evidence,
    NotRecorded,
    Tell,
    Told,
    Withheld,
    changes_since,
    completeness,
    growth_series,
    judged_findings,
    tell_list,
    told_of,
    withheld,
)
from adapter.derive.changes import earlier_of
from adapter.exam import Exam


@dataclass(frozen=True, slots=True)
class Account:
    """An exam with all that is derived from it.

    ``pool`` holds every finding with its judgement, captured ones first. ``changes`` is None where no earlier exam of
    this newborn was given. ``series``: hours of life and value of weight, length and head circumference.
    """

    exam: Exam
    catalogue: Catalogue
    pool: tuple[Evidence, ...]
    gaps: tuple[NotRecorded, ...]
    tells: tuple[Tell, ...]
    told: Told
    withheld: tuple[Withheld, ...]
    changes: Changes | None
    series: dict[str, tuple[tuple[Decimal, Decimal], ...]]

    @property
    def recorded(self) -> int:
        """How many findings were captured, those not examined left out."""
        return len(self.exam.findings) - self.skipped

    @property
    def skipped(self) -> int:
        """How many findings are *not examined*."""
        return sum(finding.not_examined is not None for finding in self.exam.findings)

    @property
    def counts(self) -> str:
        """The counts that keep every other statement honest."""
        missing = len(self.gaps)
        return f"{self.recorded} findings recorded, {self.skipped} not examined, {missing} not recorded"

    def of_region(self, region: str) -> list[Evidence]:
        """What was examined in a region, in the order of the exam."""
        catalogue = self.catalogue
        found = [
            one
            for one in self.pool
            if catalogue.region_of[one.item.id] == region and one.finding.not_examined is None
        ]
        return sorted(found, key=lambda one: one.item.position)


def account_of(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> Account:
    """The account of an exam; of ``earlier`` those count that are earlier exams of this newborn."""
    computed, pool = judged_findings(exam, catalogue)
    gaps = completeness(exam, catalogue)
    tells = tell_list(exam, computed, catalogue, pool, gaps)
    return Account(
        exam=exam,
        catalogue=catalogue,
        pool=tuple(pool),
        gaps=gaps,
        tells=tells,
        told=told_of(exam, tells),
        withheld=withheld(exam, catalogue),
        changes=changes_since(earlier, exam, catalogue),
        series=growth_series(earlier_of(earlier, exam, catalogue), exam, catalogue),
    )


def moment(at: datetime) -> str:
    """A time as people read it, to the minute, with the offset it was recorded with."""
    return at.isoformat(sep=" ", timespec="minutes")


def time_of(at: datetime, exam: Exam) -> str:
    """A time within the exam: the clock alone where day and offset are those of the exam's start."""
    started = exam.details.started
    same = at.date() == started.date() and at.utcoffset() == started.utcoffset()
    return at.strftime("%H:%M") if same else moment(at)
