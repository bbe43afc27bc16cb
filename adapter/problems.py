"""One form for everything that can be wrong: where it is, what it is, and what would be right.

Every stage (reading, checking, validating, sending) reports with :class:`Problem`; a :class:`Report`
gathers them all, so that a person sees a file's problems at once and not the first one only. A problem
never carries patient data beyond identifiers of files, rows, items and resources.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum

from adapter.errors import AdapterError as AdapterError
from adapter.errors import ExitCode as ExitCode


class Severity(StrEnum):
    """How bad it is; the words are those of FHIR R4 IssueSeverity (section 2.28.4, OperationOutcome)."""

    FATAL = "fatal"
    ERROR = "error"
    WARNING = "warning"
    INFORMATION = "information"


class Layer(StrEnum):
    """The stage that found it, in the order in which the stages run."""

    CATALOGUE = "catalogue"
    CAPTURE = "capture"
    STRUCTURE = "structure"
    SCHEMA = "schema"
    INVARIANTS = "invariants"
    TERMINOLOGY = "terminology"
    PROFILES = "profiles"
    BUNDLE = "bundle"
    ROUND_TRIP = "round-trip"
    TRANSPORT = "transport"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong.

    ``rule`` is a stable id a program can branch on (``unknown-item``, ``bdl-7``); ``where`` is the place
    inside ``file`` (a JSON pointer, ``row 12, column value``, or a FHIRPath-style location); ``item`` is the
    catalogue item concerned; ``remedy`` says what would be right. ``line`` and ``column`` count from 1.
    """

    severity: Severity
    layer: Layer
    rule: str
    what: str
    remedy: str = ""
    where: str = ""
    file: str = ""
    item: str = ""
    line: int | None = None
    section: str = ""
    column: int | None = None

    def __str__(self) -> str:
        place = ", ".join(
            part
            for part in (
                self.file,
                f"line {self.line}" if self.line else "",
                f"column {self.column}" if self.column else "",
                self.where,
                f"item {self.item}" if self.item else "",
            )
            if part
        )
        text = f"{self.severity.value}: {place + ': ' if place else ''}{self.what}"
        if self.remedy:
            text += f"\n    expected: {self.remedy}"
        return text + f"  [{self.layer.value}/{self.rule}]"


@dataclass(slots=True)
class Report:
    """All problems of one run, in the order found."""

    problems: list[Problem] = field(default_factory=list)

    def add(self, problems: Iterable[Problem]) -> None:
        """Append more problems."""
        self.problems.extend(problems)

    def __iter__(self) -> Iterator[Problem]:
        return iter(self.problems)

    def __len__(self) -> int:
        return len(self.problems)

    def of(self, *severities: Severity) -> list[Problem]:
        """The problems of the given severities."""
        return [p for p in self.problems if p.severity in severities]

    @property
    def errors(self) -> list[Problem]:
        """The problems that must be mended: severity ``error`` or ``fatal``."""
        return self.of(Severity.ERROR, Severity.FATAL)

    def _repr_html_(self) -> str:
        """As a notebook shows it."""
        from adapter.document import of_texts

        caption = f"{len(self.errors)} errors, {len(self) - len(self.errors)} others"
        rows = [(p.severity.value, p.rule, p.file, p.where, p.item, p.what, p.remedy) for p in self]
        return of_texts(caption, ("severity", "rule", "file", "where", "item", "what", "expected"), rows)

    @property
    def exit_code(self) -> ExitCode:
        """0 when there is no error, 1 otherwise; warnings do not fail a run."""
        return ExitCode.PROBLEMS if self.errors else ExitCode.WELL
