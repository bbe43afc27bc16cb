"""What goes between the outbox and a transport: a message as a letter, and a receipt for it. No word of FHIR."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from adapter.derive.versions import Precedence
from adapter.problems import Problem


@dataclass(frozen=True, slots=True)
class Message:
    """One version of one exam, as the bytes that one kind of receiver takes.

    ``exam`` is its id, ``root`` the id of the exam as first recorded, ``newborn`` a name of the newborn by which
    messages are kept in order; ``precedence`` says which version of an exam goes before which, and ``amends`` which
    version this one corrects.
    ``digest`` (SHA-256 in hexadecimal) is that by which the same message is known again. ``shared`` names what other
    messages bring as well and the receiver may not have yet: two that share something do not leave side by side until
    one of them has arrived. ``own`` is JSON for the transport that made the message and for nobody else.
    """

    exam: str
    root: str
    newborn: str
    precedence: Precedence
    payload: bytes
    digest: str
    shared: frozenset[str] = frozenset()
    own: Mapping[str, Any] = field(default_factory=dict)
    amends: str | None = None


@dataclass(frozen=True, slots=True)
class MessagePart:
    """What a receiver said of a part of a message (of the whole, where it has no parts).

    ``name`` is what the part is called, never a person's name; ``answer`` what was said, in the receiver's own code;
    ``place`` and ``version`` where the receiver keeps it, empty where it says nothing of that; ``problems`` its
    remarks, without patient data; ``digest`` that of what was meant, where the transport can hold a receiver against
    it later (kept beside, in :mod:`adapter.send.outbox.arrived`).
    """

    name: str
    answer: str
    place: str = ""
    version: str = ""
    problems: tuple[Problem, ...] = ()
    digest: str = field(default="", compare=False)


@dataclass(frozen=True, slots=True)
class Receipt:
    """A message arrived: in words for a line at the terminal, part by part, and how many parts by what became of
    them, where the receiver says that."""

    words: str = ""
    parts: tuple[MessagePart, ...] = ()
    counts: Mapping[str, int] = field(default_factory=dict)


NOTHING_SAID = Receipt()


@dataclass(frozen=True, slots=True)
class Letter:
    """A message that is being sent: its number in the outbox, which attempt this is, to whom, and the parts of the
    versions of the exam that arrived there before, the oldest first.

    ``strikes`` are those attempts, with this one, that count against it; ``waited`` the seconds for which it was put
    off so far; ``rooted``: the exam as first recorded is known to the outbox as well; ``digests`` are those of all
    that arrived of the exam before. ``along`` is the letter that goes with it and right after it: both arrive, or
    neither counts as sent.
    """

    seq: int
    attempt: int
    target: str
    message: Message
    before: tuple[MessagePart, ...] = ()
    strikes: int = 1
    waited: float = 0.0
    rooted: bool = False
    digests: frozenset[str] = frozenset()
    along: Letter | None = None

    @property
    def whole(self) -> tuple[Letter, ...]:
        """It, and what goes along with it."""
        return (self,) if self.along is None else (self, self.along)
