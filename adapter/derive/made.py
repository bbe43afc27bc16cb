"""What a computation gives: a finding with all that it rests on, or a stated reason why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import NamedTuple

from adapter.catalogue import Flag, Meaning, Words
from adapter.exam import Finding, Urgency


@dataclass(frozen=True, slots=True)
class Maker:
    """The rule, table or algorithm that made a finding: its id, label, version and source."""

    id: str
    label: str
    version: str
    source: str

    def said(self, words: Words) -> str:
        """Label and version."""
        return words.say("maker.version", label=self.label, version=self.version)


class Earlier(NamedTuple):
    """A captured finding of an earlier exam of the newborn: the exam's id, its index there, and the finding."""

    exam: str
    number: int
    finding: Finding


@dataclass(frozen=True, slots=True)
class Computed:
    """A computed finding and what it rests on.

    ``derived_from`` are indexes into ``exam.findings`` and, behind these, into the computed findings before it.
    ``earlier`` are findings of earlier exams that it rests on besides.
    ``exact`` is the unrounded value. ``urgency``, ``meaning``, ``flag`` and ``reason`` are set where a rule, a
    comparison or a site's table of lines made it.
    """

    finding: Finding
    derived_from: tuple[int, ...] = ()
    exact: Decimal | None = None
    maker: Maker | None = None
    urgency: Urgency | None = None
    meaning: Meaning = Meaning.VARIANT
    flag: Flag = Flag.NORMAL
    reason: str = ""
    replaced: bool = False
    """Whether a rule that says more of the same holds too: it is a finding, and is not told besides."""
    earlier: tuple[Earlier, ...] = ()

    @property
    def exams(self) -> tuple[str, ...]:
        """The ids of the earlier exams that it rests on."""
        return tuple(dict.fromkeys(one.exam for one in self.earlier))

    @property
    def by_rule(self) -> bool:
        """Whether a rule, a comparison of sides or a table of lines says what was found, and no value does."""
        return self.urgency is not None


@dataclass(frozen=True, slots=True)
class Withheld:
    """What was not computed, and why: in place of a made-up value.

    ``of`` is the index of the captured finding that a table of lines would have judged.
    """

    item: str
    label: str
    reason: str
    of: int | None = None

    def said(self, words: Words) -> str:
        """What, and why not."""
        return words.say("is", what=self.label, value=self.reason)
