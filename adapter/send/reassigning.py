"""A reassignment into the outbox: the retraction and the exam anew, queued as one."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime

from adapter.catalogue import Catalogue
from adapter.derive.chains import Chains
from adapter.derive.versions import RETRACTED
from adapter.exam import Exam, Status
from adapter.problems import Layer, Problem, Severity
from adapter.read.reassignment import NotReassigned, Reassignment
from adapter.send.message import Message
from adapter.send.outbox import Outbox, PutResult, State
from adapter.send.taken import objection, record_of
from adapter.send.transport import Transport

_LIVE = (State.WAITING, State.SENDING, State.SENT)


def known_exam(outbox: Outbox, target: str, exam: str, catalogue: Catalogue) -> Exam | None:
    """The exam with this id as it was queued for a receiver; None where it was not, or cannot be read back."""
    row = outbox.latest(target, exam)
    return None if row is None else record_of(outbox.message(row.seq).payload, catalogue)


def recorded_before(outbox: Outbox, target: str, new_id: str, catalogue: Catalogue) -> datetime | None:
    """When the exam anew was recorded, where it is in the outbox already: doing it again makes the same records."""
    row = outbox.latest(target, new_id)
    found = None if row is None or row.state not in _LIVE else known_exam(outbox, target, new_id, catalogue)
    return None if found is None else found.details.recorded


def queue_reassignment(
    outbox: Outbox, transport: Transport, made: Reassignment, catalogue: Catalogue, source: str = ""
) -> PutResult:
    """Queue both records as one: they arrive together, the retraction first, or neither is sent.

    ``source`` names the exam's file in problems. Doing it again changes nothing. Raises
    :class:`~adapter.read.reassignment.NotReassigned` where what the outbox knows, or a check, speaks against it.
    """
    chains = Chains([made.taken_back, made.anew], elsewhere=lambda version: outbox.known(transport.target, version))
    problems: list[Problem] = []
    messages: list[Message] = []
    for exam in (made.taken_back, made.anew):
        faults = list(chains.faults(exam))
        exam = chains.rooted(exam)
        earlier = outbox.other_versions(transport.target, exam.details.root, exam.details.id)
        if exam.details.status is not Status.FINAL:
            amended = exam.details.amends or ""
            faults += _newer(amended, [message for row, message in earlier if row.state in _LIVE])
        prepared = transport.prepare(exam, catalogue, earlier, source)
        faults += prepared.errors
        if prepared.message is not None:
            message = replace(prepared.message, precedence=chains.precedence(exam))
            taken = objection(outbox, transport.target, message, catalogue)
            faults += [taken] if taken else []
            messages.append(message)
        problems += [replace(fault, file=source) for fault in faults]
    if problems or len(messages) < 2:
        raise NotReassigned(problems=problems)
    return outbox.put_together(transport.target, messages[0], messages[1])


def _newer(exam: str, others: list[Message]) -> Iterator[Problem]:
    """Versions that go over the one that is reassigned."""
    own = next((message.precedence for message in others if message.exam == exam), None)
    for message in others:
        if message.precedence.rank == RETRACTED:
            what = f"exam {exam} has been taken back already, by {message.exam}"
            yield _error("already-retracted", what, "the exam anew by itself, if it is not recorded yet")
        elif own is not None and message.exam != exam and message.precedence.over(own):
            what = f"exam {exam} has a newer version, {message.exam}"
            yield _error("not-the-newest", what, f"the record of {message.exam}")


def _error(rule: str, what: str, remedy: str) -> Problem:
    return Problem(Severity.ERROR, Layer.CAPTURE, rule, what, remedy)
