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
from adapter.derive.chains import another_newborn
from adapter.derive.versions import precedence_of
from adapter.exam import Exam
from adapter.fhir import Identity
from adapter.problems import Problem
from adapter.send.failures import (
    TO_DO,
    Cause,
    Closed,
    Failed,
    Rejected,
    Unavailable,
    Undelivered,
    Unreachable,
    problem,
)
from adapter.send.message import Letter, Message, MessagePart, Receipt
from adapter.send.mllp.acknowledgement import Acknowledgement, NotAccepted, accepted, wanted_of
from adapter.send.mllp.connection import Connection, NoAcknowledgement
from adapter.send.outbox import OutboxRow, State
from adapter.send.policy import USUAL, Timeouts
from adapter.send.redaction import Redaction
from adapter.send.taken import record_of
from adapter.send.transport import Prepared
from adapter.v2.er7 import Read, messages
from adapter.write.outward import NotWritable, allowed, left_out
from adapter.write.v2 import to_oru
from adapter.write.v2.message import unjudged

_SILENCE, _FOREIGN = "no-acknowledgement", "foreign-acknowledgement"
_UNKNOWN = frozenset({_SILENCE, _FOREIGN})


class MllpTransport:
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

    def prepare(
        self,
        exam: Exam,
        catalogue: Catalogue,
        earlier: Sequence[tuple[OutboxRow, Message]] = (),
        source: str = "",
    ) -> Prepared:
        """The exam as ORU^R01. What earlier versions said and this one does not is sent as withdrawn."""
        if "v2" not in allowed(catalogue):
            remedy = f"formats: [{', '.join(allowed(catalogue))}, v2] in site.yaml"
            return Prepared(None, (problem("form-not-allowed", "this site writes no HL7 v2 messages", remedy),))
        # MLLP knows one end of a segment, whatever the site wants in files.
        plain = catalogue
        if catalogue.v2.terminator != "CR":
            plain = dataclasses.replace(catalogue, v2=catalogue.v2.model_copy(update={"terminator": "CR"}))
        details = exam.details
        said = [message.payload for row, message in earlier if _may_have_arrived(row)]
        if (moved := _moved(exam, said, catalogue)) is not None:
            return Prepared(None, (dataclasses.replace(moved, file=source),))
        try:
            alone = "\r".join(unjudged(exam, plain, attached=False)).encode()
            payload = to_oru(exam, plain, said)
        except NotWritable as error:
            return Prepared(None, tuple(dataclasses.replace(one, file=source) for one in error.problems))
        message = Message(
            exam=details.id,
            root=details.root,
            newborn=Identity(exam, catalogue).patient().uuid,
            precedence=precedence_of(exam),
            payload=payload,
            # Of the exam alone: the same exam is the same message, whatever was withdrawn with it.
            digest=sha256(alone).hexdigest(),
            amends=details.amends,
        )
        return Prepared(message, tuple(dataclasses.replace(one, file=source) for one in left_out(exam, "v2")))

    def deliver(self, letter: Letter) -> Receipt:
        """Send it and wait for the acknowledgement it asks for."""
        data = letter.message.payload
        header = _header(data)
        control_id = header.part(10)
        answer = partial(accepted, control_id=control_id, wanted=wanted_of(header))
        try:
            found = self._connection.exchange(data, answer)
        except (NotAccepted, Unreachable) as error:
            raise self._undelivered(letter, error) from None
        remarks = _redaction(letter).remarks(found.problems)
        return Receipt(
            _in_words(found, remarks), (MessagePart(f"ORU^R01 {control_id}", found.code, problems=remarks),)
        )

    def _undelivered(self, letter: Letter, error: NotAccepted | Unreachable) -> Undelivered:
        """What is done (:mod:`adapter.send.mllp.acknowledgement`), and what the receiver says (MSA, ERR)."""
        if isinstance(error, NotAccepted) and not error.again:
            kind: type[Undelivered] = Rejected
        elif isinstance(error, Unreachable) and error.cause is Cause.CERTIFICATE:
            kind = Closed
        else:
            kind = Failed if self._connection.is_open_to_us() else Unavailable
        if isinstance(error, Unreachable):
            silent = isinstance(error, NoAcknowledgement)
            cause = Cause.SERVER if silent and error.cause is Cause.NETWORK else error.cause
            usual = _SILENCE if silent else "unreachable"
            rule = {Cause.CERTIFICATE: "certificate", Cause.GATEWAY: _FOREIGN}.get(cause, usual)
            return kind([problem(rule, str(error), TO_DO[cause])], cause=cause, nobody=error.nobody)
        redaction = _redaction(letter)
        return kind([redaction.clean(one) for one in error.problems])


def _in_words(found: Acknowledgement, remarks: Sequence[Problem]) -> str:
    """The code of the acknowledgement, and how many remarks came with it."""
    return f"{found.code}, {len(remarks)} remarks" if remarks else found.code


def _moved(exam: Exam, said: Sequence[bytes], catalogue: Catalogue) -> Problem | None:
    """That an earlier version was of another newborn: a listener cannot be asked whose record it has."""
    for payload in said if exam.details.amends is not None else ():
        before = record_of(payload, catalogue)
        if before is not None and (moved := another_newborn(exam, before.newborn)):
            return moved
    return None


def _may_have_arrived(row: OutboxRow) -> bool:
    """Whether the receiver may hold what a message said: not where it refused it, or it was never sent."""
    if row.state is State.DEAD:
        return any(one.rule in _UNKNOWN for one in row.reasons)
    return row.state is not State.SUPERSEDED


def _header(data: bytes) -> Read:
    return next(messages(data))[0]


_PERSONAL = {"PID": (3, 5, 7, 21), "NK1": (2, 33), "PV1": (19,), "NTE": (3,), "OBX": (16,)}
_TEXTS = ("ST", "FT", "TX")


def _redaction(letter: Letter) -> Redaction:
    return Redaction(_private(next(messages(letter.message.payload))))


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
