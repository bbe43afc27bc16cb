"""The view of an exam with what tables say besides: the names of its findings in FHIR, moments as cells."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cached_property

from adapter.catalogue import Catalogue
from adapter.derive.view import ExamView
from adapter.exam import Exam
from adapter.fhir import Identity, Name


class TabledExam(ExamView):
    """An exam, derived once however many tables are made of it.

    Not ``dated``: its dates are withheld but for the year of birth, so that only their distances from birth may be
    written.
    """

    def __init__(self, exam: Exam, catalogue: Catalogue, *, dated: bool = True) -> None:
        super().__init__(exam, catalogue)
        self.dated = dated
        self.identity = Identity(exam, catalogue)

    def moment(self, value: datetime | None) -> tuple[datetime | None, int | None]:
        """The cells of a moment: the instant, and the offset it was captured with in minutes; none where withheld."""
        if value is None or not self.dated:
            return None, None
        offset = value.utcoffset()
        assert offset is not None, "a moment without its offset was not checked"
        return value.astimezone(UTC), int(offset.total_seconds() // 60)

    @cached_property
    def newborn_id(self) -> str:
        """The id of the newborn's Patient."""
        return self.identity.patient().uuid

    @cached_property
    def names(self) -> list[Name]:
        """The Observation of each finding, in their order."""
        identity = Identity(self.exam, self.catalogue)
        return [
            identity.observation(one.finding) if one.computed is None else identity.computed(one.computed)
            for one in self.findings
        ]
