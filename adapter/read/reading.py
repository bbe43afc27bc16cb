"""What comes out of reading an input: an exam or the reasons why there is none."""

from __future__ import annotations

from dataclasses import dataclass, field

from adapter.derive.completeness import NotRecorded
from adapter.derive.versions import Version
from adapter.exam import Exam
from adapter.problems import Problem, Severity


@dataclass(frozen=True, slots=True)
class Reading:
    """One exam of an input, or what is left of it.

    ``exam`` is None where the record could not be understood as an exam; an exam may also come with errors (it
    was understood, but something in it is wrong): only one without errors is ``accepted``. ``source`` says
    which part of the input this was. ``unrecorded`` lists what the kind of exam expects and the record lacks.
    ``version`` is what the record says of its place among the versions of its exam, where it amends or retracts one;
    known of a record that is refused too.
    """

    exam: Exam | None
    problems: tuple[Problem, ...]
    source: str
    unrecorded: tuple[NotRecorded, ...] = field(default=())
    version: Version | None = None

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The problems for which the exam is refused."""
        return tuple(p for p in self.problems if p.severity in (Severity.ERROR, Severity.FATAL))

    @property
    def accepted(self) -> bool:
        """Whether the exam may go on to be mapped and sent."""
        return self.exam is not None and not self.errors
