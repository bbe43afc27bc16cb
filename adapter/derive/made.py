"""What a computation gives: a finding with all that it rests on, or a stated reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from adapter.exam import Finding, Urgency


@dataclass(frozen=True, slots=True)
class Maker:
    """The rule, table or algorithm that made a finding: its id, label, version and source."""

    id: str
    label: str
    version: str
    source: str

    def __str__(self) -> str:
        return f"{self.label}, version {self.version}"


@dataclass(frozen=True, slots=True)
class Computed:
    """A computed finding and what it rests on.

    ``derived_from`` are indexes into ``exam.findings`` and, behind these, into the computed findings before it.
    ``exams`` are the ids of earlier exams whose findings it rests on besides.
    ``exact`` is the unrounded value. ``urgency`` and ``reason`` are set where a rule or a comparison made it.
    """

    finding: Finding
    derived_from: tuple[int, ...] = ()
    exact: Decimal | None = None
    maker: Maker | None = None
    urgency: Urgency | None = None
    abnormal: bool = False
    reason: str = ""
    replaced: bool = False
    """Whether a rule that says more of the same holds too: it is a finding, and is not told besides."""
    exams: tuple[str, ...] = ()

    @property
    def by_rule(self) -> bool:
        """Whether a rule or a comparison of sides found it, and not a table or a formula."""
        return self.urgency is not None


@dataclass(frozen=True, slots=True)
class Withheld:
    """What was not computed, and why: in place of a made-up value."""

    item: str
    label: str
    reason: str

    def __str__(self) -> str:
        return f"{self.label}: {self.reason}"
