"""What is known of one exam, derived once however many tables are made of it."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cached_property

from adapter.catalogue import Catalogue
from adapter.derive import (
    Computed,
    Evidence,
    NotRecorded,
    Tell,
    Told,
    completeness,
    judged_findings,
    tell_list,
    told_of,
)
from adapter.exam import Exam
from adapter.fhir import Identity, Name


class Known:
    """An exam, its findings with their judgements, what is not recorded, and the names they have in FHIR.

    Not ``dated``: its dates are withheld but for the year of birth, so that only their distances from birth may be
    written.
    """

    def __init__(self, exam: Exam, catalogue: Catalogue, *, dated: bool = True) -> None:
        self.exam, self.dated = exam, dated
        self.catalogue = catalogue
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
    def _derived(self) -> tuple[tuple[Computed, ...], list[Evidence]]:
        return judged_findings(self.exam, self.catalogue)

    @property
    def pool(self) -> list[Evidence]:
        """Captured findings in their order, then the computed ones."""
        return self._derived[1]

    @cached_property
    def names(self) -> list[Name]:
        """The Observation of each finding of the pool."""
        identity = Identity(self.exam, self.catalogue)
        return [
            identity.observation(one.finding) if one.computed is None else identity.computed(one.computed)
            for one in self.pool
        ]

    @cached_property
    def gaps(self) -> tuple[NotRecorded, ...]:
        """What the kind of exam expects and the record lacks."""
        return completeness(self.exam, self.catalogue)

    @cached_property
    def tells(self) -> tuple[Tell, ...]:
        """The tell list."""
        return tell_list(self.exam, self._derived[0], self.catalogue, self.pool, self.gaps)

    @cached_property
    def told(self) -> Told:
        """Who was told of each line of it."""
        return told_of(self.exam, self.tells)
