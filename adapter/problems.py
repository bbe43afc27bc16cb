"""One form for everything that can be wrong: where it is, what it is, and what would be right.

Every stage (reading, checking, validating, sending) reports with :class:`Problem`; a :class:`Report`
gathers them all, so that a person sees a file's problems at once and not the first one only. A problem
never carries patient data beyond identifiers of files, rows, items and resources.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from html import escape
from typing import ClassVar


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


class ExitCode(IntEnum):
    """What the command line answers with; the README documents them."""

    WELL = 0
    PROBLEMS = 1
    USAGE = 2
    SERVER = 3
    INTERNAL = 4
    MACHINE = 5
    INTERRUPTED = 130


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
        caption = f"{len(self.errors)} errors, {len(self) - len(self.errors)} others"
        rows = [(p.severity.value, p.rule, p.file, p.where, p.item, p.what, p.remedy) for p in self]
        return html_table(caption, ("severity", "rule", "file", "where", "item", "what", "expected"), rows)

    @property
    def exit_code(self) -> ExitCode:
        """0 when there is no error, 1 otherwise; warnings do not fail a run."""
        return ExitCode.PROBLEMS if self.errors else ExitCode.WELL


def html_table(caption: str, headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table for a notebook; every text is escaped."""
    said = f"<caption>{escape(caption)}</caption>" if caption else ""
    head = "".join(f'<th scope="col">{escape(heading)}</th>' for heading in headings)
    body = "".join(f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in row)}</tr>" for row in rows)
    return f"<table>{said}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


class AdapterError(Exception):
    """The root of every error of ours: what cannot be read, written, sent, or used.

    ``problems`` say what is wrong, each with its place and what would be right, where the error is of data; an error
    of anything else has its words alone. ``exit_code`` is what the command line answers with.
    """

    exit_code: ClassVar[ExitCode] = ExitCode.PROBLEMS

    def __init__(self, words: str = "", problems: Iterable[Problem] = ()) -> None:
        self.problems = list(problems)
        super().__init__(words or "\n".join(str(problem) for problem in self.problems))
