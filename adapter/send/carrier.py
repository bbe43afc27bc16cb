"""What the outbox and the sender ask of a kind of receiver: a FHIR server, a listener of HL7 v2."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.problems import Problem, Report
from adapter.send.answers import EntryOutcome, Refused, Unreachable
from adapter.send.message import Message
from adapter.send.outbox import Letter, Outbox
from adapter.send.policy import Verdict


@dataclass(frozen=True, slots=True)
class Made:
    """An exam as a message of one kind, and what its checks found; no message where it cannot be written."""

    message: Message | None
    problems: tuple[Problem, ...] = ()

    @property
    def errors(self) -> list[Problem]:
        """Because of which it is not sent."""
        return Report(list(self.problems)).errors


class Carrier(Protocol):
    """Makes messages for one receiver, delivers them one at a time, and knows what its failures mean."""

    @property
    def target(self) -> str:
        """The receiver's address, by which the outbox knows it."""

    def made(self, exam: Exam, catalogue: Catalogue, outbox: Outbox | None, source: str) -> Made:
        """The message of an exam that the checks found no error in; ``source`` names its file in problems.

        ``outbox`` holds earlier versions of the exam, where a message depends on what they said.
        """

    def deliver(self, letter: Letter) -> list[EntryOutcome]:
        """Send it once. Raises :class:`Unreachable`, :class:`Refused`, or that a newer version is there."""

    def verdict(self, error: Unreachable | Refused) -> Verdict:
        """What a failure means, before the receiver has been asked whether it is well."""

    def is_well(self) -> bool:
        """Whether the receiver answers to something that has nothing to do with an exam."""

    def reasons(self, letter: Letter, error: Unreachable | Refused) -> list[Problem]:
        """A failure in our words and the receiver's, without what is a person's."""

    def kept(self, letter: Letter, outcomes: Sequence[EntryOutcome]) -> list[EntryOutcome]:
        """Outcomes as they may be kept and shown."""

    def in_words(self, outcomes: Sequence[EntryOutcome]) -> str:
        """Outcomes of an exam that was sent, for a line at the terminal."""
