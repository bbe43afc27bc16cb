"""The view of an exam, alone or in the series of the infant's exams: what every writer says, derived once.

A writer takes a view and nothing else: the findings with all that is said of each (:mod:`adapter.derive.finding`),
what must be told, what is not recorded, what was not computed, which version of the exam it is. Each is worked out
when it is first asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from functools import cached_property

from adapter.catalogue import Catalogue, Meaning
from adapter.derive.changes import Changes, changes_since, earlier_of, growth_series, standing
from adapter.derive.completeness import NotRecorded, completeness
from adapter.derive.computed import judged_findings, withheld
from adapter.derive.finding import FindingView
from adapter.derive.hours import LINE
from adapter.derive.made import Computed, Withheld
from adapter.derive.outcome import Judged
from adapter.derive.series import SeriesLine, series_lines, with_standing
from adapter.derive.tell import Tell, tell_list
from adapter.derive.told import Told, told_of
from adapter.derive.versions import rank
from adapter.exam import Exam, Status


def unjudged(pool: Sequence[FindingView]) -> tuple[tuple[str, tuple[FindingView, ...]], ...]:
    """The numbers whose ranges did not judge them, by the reason, each in their order.

    What has no range at all, and what was answered in words, says so where it stands and is not listed; a score that
    lacks signs is listed with what was not computed, and what is to be compared with a chart in the tell list.
    """
    found: dict[str, list[FindingView]] = {}
    for one in pool:
        if one.judged is not None or one.finding.__dict__["value"] is None:
            continue
        measured = one.item.ranges and not one.item.chart and not one.missing
        if measured and (reason := one.not_judged) is not None:
            found.setdefault(reason, []).append(one)
    return tuple((reason, tuple(ones)) for reason, ones in found.items())


def under_lines(pool: Sequence[FindingView]) -> tuple[FindingView, ...]:
    """What a site's own tables of lines judged and found under every line, in their order."""
    return tuple(one for one in pool if one.item.id == LINE and one.judged and one.judged.meaning is Meaning.EXPECTED)


class ExamView:
    """One exam with all that is derived from it. Expects one that the checks found no error in.

    ``earlier`` may hold exams of others and other versions; those count that are earlier exams of this newborn, and
    the exam is judged with them. Without any it is a series of one.
    """

    def __init__(self, exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> None:
        self.exam = exam
        self.catalogue = catalogue
        self._earlier = earlier

    @cached_property
    def before(self) -> tuple[ExamView, ...]:
        """The earlier exams of this newborn that count, oldest first, each judged with those before it."""
        if not self._earlier:
            return ()
        exams = standing(earlier_of(self._earlier, self.exam, self.catalogue), self.exam)
        return tuple(ExamView(one, self.catalogue, exams[:number]) for number, one in enumerate(exams))

    @cached_property
    def _derived(self) -> tuple[tuple[Computed, ...], list[FindingView]]:
        return judged_findings(self.exam, self.catalogue, [one.exam for one in self.before])

    @property
    def findings(self) -> list[FindingView]:
        """Every finding, captured ones in their order, then the computed ones; its index is its place here."""
        return self._derived[1]

    @property
    def computed(self) -> tuple[Computed, ...]:
        """What was computed, and from what."""
        return self._derived[0]

    @cached_property
    def not_recorded(self) -> tuple[NotRecorded, ...]:
        """What the kind of exam expects and the record does not hold: never normal."""
        return completeness(self.exam, self.catalogue)

    @cached_property
    def notifications(self) -> tuple[Tell, ...]:
        """What this exam says that the provider must be told, most urgent first, and what is still to be done."""
        return tell_list(self.exam, self.computed, self.catalogue, self.findings, self.not_recorded)

    @cached_property
    def _told_here(self) -> Told:
        return told_of(self.exam, self.notifications)

    @cached_property
    def told(self) -> Told:
        """Who was told of each line of this exam, and of lines that neither it has nor stand from earlier exams."""
        here = self._told_here
        past = {id(telling) for one in self.lines if one.past for telling in one.told} if here.others else set()
        return Told(here.lines, tuple(one for one in here.others if id(one) not in past))

    @cached_property
    def lines(self) -> tuple[SeriesLine, ...]:
        """What must be told after this exam: its own lines, how they stand to the earlier exams, and what stands from
        these (:func:`adapter.derive.series.series_lines`)."""
        return series_lines([one._in_series for one in (*self.before, self)], self.catalogue)

    @cached_property
    def lines_in_words(self) -> tuple[str, ...]:
        """Each of :attr:`lines` in words, with how it stands to the earlier exams."""
        return tuple([with_standing(one, self.catalogue.words) for one in self.lines])

    @property
    def _in_series(self) -> Judged:
        return Judged(self.exam, self.findings, self.notifications, self._told_here.lines)

    @cached_property
    def withheld(self) -> tuple[Withheld, ...]:
        """What was not computed, and why."""
        return withheld(self.exam, self.catalogue, [one.exam for one in self.before])

    @cached_property
    def not_judged(self) -> tuple[tuple[str, tuple[FindingView, ...]], ...]:
        """What was examined and nothing judged, by the reason: never expected."""
        return unjudged(self.findings)

    @property
    def retracted(self) -> bool:
        """Whether the record was entered in error."""
        return self.exam.details.status is Status.ENTERED_IN_ERROR

    @property
    def rank(self) -> int:
        """Which version of the exam counts before which (:func:`adapter.derive.versions.rank`)."""
        return rank(self.exam.details.status)

    @property
    def not_examined(self) -> int:
        """How many findings say that something was not examined."""
        return sum(finding.__dict__["not_examined"] is not None for finding in self.exam.findings)

    @property
    def recorded(self) -> int:
        """How many findings were captured, those not examined left out."""
        return len(self.exam.findings) - self.not_examined

    @property
    def counts(self) -> str:
        """The counts that keep every other statement honest."""
        missing = len(self.not_recorded)
        return self.catalogue.words.say("counts", recorded=self.recorded, skipped=self.not_examined, missing=missing)

    def examined_in(self, region: str) -> list[FindingView]:
        """What was examined in a region, in the order of the exam."""
        found = (one for one in self.findings if one.region == region and one.examined)
        return sorted(found, key=lambda one: one.item.position)

    @cached_property
    def changes(self) -> Changes | None:
        """What changed since the earlier exams; None where there is none of this newborn."""
        return changes_since(self._earlier, self.exam, self.catalogue)

    @cached_property
    def growth(self) -> dict[str, tuple[tuple[Decimal, Decimal], ...]]:
        """Weight, length and head circumference by hours of life (:func:`adapter.derive.growth_series`)."""
        return growth_series(earlier_of(self._earlier, self.exam, self.catalogue), self.exam, self.catalogue)


def series_list(earlier: Sequence[Exam], exam: Exam, catalogue: Catalogue) -> tuple[SeriesLine, ...]:
    """What must be told after ``exam``, given the earlier exams of the same newborn (others are left out)."""
    return ExamView(exam, catalogue, earlier).lines
