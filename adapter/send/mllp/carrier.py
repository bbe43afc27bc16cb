"""A listener of HL7 v2 messages as a receiver of exams: each at least once, under the same control id each time."""

from __future__ import annotations

import dataclasses
import ssl
from collections.abc import Iterator, Sequence
from functools import partial
from hashlib import sha256
from typing import Self

import httpx

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import Identity
from adapter.problems import Problem, Severity
from adapter.send.answers import EntryOutcome, Refused, Unreachable, problem
from adapter.send.carrier import Made
from adapter.send.client import Timeouts
from adapter.send.discretion import Discretion
from adapter.send.message import RANK, Message, Systems
from adapter.send.mllp.acknowledgement import NotAccepted, accepted, wanted_of
from adapter.send.mllp.connection import USUAL, Connection, NoAcknowledgement
from adapter.send.outbox import Letter, Outbox, Row, State
from adapter.send.policy import Verdict
from adapter.v2.er7 import Read, messages
from adapter.write.outward import NotWritable, allowed
from adapter.write.v2 import to_oru
from adapter.write.v2.message import unjudged

_NO_SYSTEMS = Systems("", "", "")
_SILENCE = "no-acknowledgement"


class MllpCarrier:
    """Delivers to the listener at ``address`` over one connection.

    MLLP cannot promise that a message is carried out once: where an acknowledgement is lost, the message is sent
    again, and only its control id (MSH-10) lets the receiver see that it has it already.
    """

    def __init__(self, address: httpx.URL, times: Timeouts = USUAL, tls: ssl.SSLContext | None = None) -> None:
        self._connection = Connection(address, times, tls)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self._connection.close()

    @property
    def target(self) -> str:
        """``mllp://host:port`` or ``mllps://host:port``."""
        return self._connection.url

    def made(self, exam: Exam, catalogue: Catalogue, outbox: Outbox | None = None, source: str = "") -> Made:
        """The exam as ORU^R01. What versions in the outbox said and this one does not is sent as withdrawn."""
        if "v2" not in allowed(catalogue):
            remedy = f"formats: [{', '.join(allowed(catalogue))}, v2] in site.yaml"
            return Made(None, (problem("form-not-allowed", "this site writes no HL7 v2 messages", remedy),))
        # MLLP knows one end of a segment, whatever the site wants in files.
        plain = dataclasses.replace(catalogue, v2=catalogue.v2.model_copy(update={"terminator": "CR"}))
        details, earlier = exam.details, []
        if outbox is not None:
            others = outbox.other_versions(self.target, details.root, details.id)
            earlier = [message.payload for row, message in others if _may_have_arrived(row)]
        try:
            own = "\r".join(unjudged(exam, plain)).encode()
            data = to_oru(exam, plain, earlier)
        except NotWritable as error:
            return Made(None, tuple(dataclasses.replace(one, file=source) for one in error.problems))
        control_id = _header(data).part(10)
        message = Message(
            exam=details.id,
            root=details.root,
            newborn=Identity(exam, catalogue).patient().uuid,
            rank=RANK[details.status],
            payload=data,
            full_urls=(control_id,),
            names=(f"ORU^R01 {control_id}",),
            shared=(),
            provenance="",
            systems=_NO_SYSTEMS,
            own=sha256(own).hexdigest(),
        )
        return Made(message)

    def deliver(self, letter: Letter) -> list[EntryOutcome]:
        """Send it and wait for the acknowledgement it asks for. Raises :class:`NotAccepted`, :class:`Unreachable`."""
        data = letter.message.payload
        header = _header(data)
        control_id = header.part(10)
        answer = partial(accepted, control_id=control_id, wanted=wanted_of(header))
        found = self._connection.exchange(data, answer)
        return [EntryOutcome(control_id, 200, location=found.code, outcome_problems=found.problems)]

    def verdict(self, error: Unreachable | Refused) -> Verdict:
        """See :mod:`adapter.send.mllp.acknowledgement`."""
        return Verdict.NEVER if isinstance(error, NotAccepted) and not error.again else Verdict.AGAIN

    def is_well(self) -> bool:
        """Whether the listener takes connections."""
        return self._connection.is_open_to_us()

    def reasons(self, letter: Letter, error: Unreachable | Refused) -> list[Problem]:
        """What the receiver says of the message (MSA, ERR), without what is a person's."""
        if isinstance(error, Unreachable):
            rule = _SILENCE if isinstance(error, NoAcknowledgement) else "unreachable"
            return [problem(rule, str(error))]
        discretion = _discretion(letter)
        return [discretion.clean(one) for one in error.problems]

    def kept(self, letter: Letter, outcomes: Sequence[EntryOutcome]) -> list[EntryOutcome]:
        """The acknowledgement without what it repeats of a person."""
        return _discretion(letter).outcomes(outcomes)

    def in_words(self, outcomes: Sequence[EntryOutcome]) -> str:
        """The code of the acknowledgement, and how many remarks came with it."""
        remarks = [p for one in outcomes for p in one.outcome_problems if p.severity is not Severity.INFORMATION]
        said = ", ".join(one.location for one in outcomes)
        return f"{said}, {len(remarks)} remarks" if remarks else said


def _may_have_arrived(row: Row) -> bool:
    """Whether the receiver may hold what a message said: not where it refused it, or it was never sent."""
    if row.state is State.DEAD:
        return any(one.rule == _SILENCE for one in row.reasons)
    return row.state is not State.SUPERSEDED


def _header(data: bytes) -> Read:
    return next(messages(data))[0]


_PERSONAL = {"PID": (3, 5, 7, 21), "NK1": (2, 33), "PV1": (19,), "NTE": (3,), "OBX": (16,)}
_TEXTS = ("ST", "FT", "TX")


def _discretion(letter: Letter) -> Discretion:
    return Discretion({}, _private(next(messages(letter.message.payload))))


def _private(segments: Sequence[Read]) -> Iterator[str]:
    """Names, identifiers, times of birth, notes and free texts of a message."""
    for segment in segments:
        words = (5,) if segment.name == "OBX" and segment.raw(2) in _TEXTS else ()
        fields = (*_PERSONAL.get(segment.name, ()), *words)
        for field in fields:
            for repetition in segment.repetitions(field):
                yield segment.within(repetition, 1)
                if field in (5, 16):
                    yield segment.within(repetition, 2)
