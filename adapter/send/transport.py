"""The seam of sending: what the outbox, the sender and the watch ask of a way to a receiver.

A transport makes messages and delivers them: a letter in, a receipt or a typed failure out
(:mod:`adapter.send.failures`). A new one is one file: its class, and a line that registers the scheme of its
addresses (:data:`adapter.send.target.KINDS`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.problems import Problem, Report
from adapter.send.message import Letter, Message, Receipt
from adapter.send.outbox import OutboxRow


@dataclass(frozen=True, slots=True)
class Prepared:
    """An exam as a message, and what its checks found; no message where it cannot be written."""

    message: Message | None
    problems: tuple[Problem, ...] = ()

    @property
    def errors(self) -> list[Problem]:
        """Because of which it is not sent."""
        return Report(list(self.problems)).errors


@dataclass(frozen=True, slots=True)
class Preview:
    """What sending an exam would do: a step and the part it is for, in order; ``superseded`` names the newer version
    that the receiver has, because of which nothing would be done; ``held`` why a person must decide first."""

    exam: str
    steps: tuple[tuple[str, str], ...] = ()
    superseded: str = ""
    held: tuple[Problem, ...] = ()

    def counts(self) -> Counter[str]:
        """How many parts of each step."""
        return Counter(step for step, _ in self.steps)


class Transport(Protocol):
    """A way to one receiver; safe to use from many threads, but for :meth:`prepare`."""

    @property
    def target(self) -> str:
        """The receiver's address, by which the outbox knows it."""

    def prepare(
        self,
        exam: Exam,
        catalogue: Catalogue,
        earlier: Sequence[tuple[OutboxRow, Message]] = (),
        source: str = "",
    ) -> Prepared:
        """The message of an exam that the checks found no error in; ``source`` names its file in problems.

        ``earlier`` are the messages of other versions of the exam to this receiver, in the order queued.
        """

    def deliver(self, letter: Letter) -> Receipt:
        """Send it once. Raises one of the kinds of :class:`~adapter.send.failures.Undelivered`."""


@runtime_checkable
class Together(Protocol):
    """A transport that delivers two letters as one, where its receiver can."""

    def deliver_together(self, letter: Letter, along: Letter) -> tuple[Receipt, Receipt]:
        """Send both once; of neither anything is kept where one is refused, if the receiver can do that, and nothing
        is sent before both are known to be in order. Raises as ``deliver`` does."""


@runtime_checkable
class Inspectable(Protocol):
    """A transport whose receiver can be asked what it holds. Both only read, and raise what the transport's client
    raises."""

    def preview(self, message: Message) -> Preview:
        """What sending would do now."""

    def verify(self, message: Message) -> list[Problem]:
        """Where what the receiver holds is not what was meant."""
