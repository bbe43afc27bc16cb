"""What the outbox holds against a message: another record under its id, an amendment that nothing tells from it,
or one of an exam that had been taken back.

What the outbox holds is read back and compared as a record, so that the same exam may be sent anew after a change of
the catalogue or of this program, whose messages differ while the exam does not.
"""

from __future__ import annotations

from io import BytesIO

from adapter.catalogue import Catalogue
from adapter.derive.chains import after_retraction, fork
from adapter.exam import Exam
from adapter.problems import Layer, Problem, Severity
from adapter.read import read
from adapter.send.message import Message
from adapter.send.outbox import Outbox, OutboxRow, State


def objection(outbox: Outbox, target: str, message: Message, catalogue: Catalogue) -> Problem | None:
    """Why a message may not go beside what the outbox sent, or is about to send; None if nothing is against it."""
    row = outbox.latest(target, message.exam)
    if row is not None and row.state not in (State.DEAD, State.SUPERSEDED):
        return _other_content(outbox, row, message, catalogue)
    if (retraction := outbox.taken_back(target, message)) is not None:
        return after_retraction(message.exam, retraction)
    other = outbox.fork(target, message)
    return None if other is None else fork(message.exam, other)


def _other_content(outbox: Outbox, row: OutboxRow, message: Message, catalogue: Catalogue) -> Problem | None:
    """The fault of a message under whose exam id the outbox sent, or is about to send, another record; None if none.

    An exam that was given up never arrived and may be put right under its id. What cannot be read back (a purged
    message) says nothing.
    """
    held = outbox.message(row.seq)
    if held.digest == message.digest:
        return None
    before, now = record_of(held.payload, catalogue), record_of(message.payload, catalogue)
    if before is None or now is None or _same(before, now):
        return None
    what = f"exam {message.exam} was sent from this outbox with other content"
    remedy = "an amendment: an id of its own, status amended, and amends naming this one"
    return Problem(Severity.ERROR, Layer.CAPTURE, "id-taken", what, remedy)


def record_of(payload: bytes, catalogue: Catalogue) -> Exam | None:
    """The exam of a message, read back; None where it cannot be (a purged message)."""
    exams = [reading.exam for reading in read(BytesIO(payload), catalogue)] if payload else []
    return exams[0] if len(exams) == 1 else None


def _same(one: Exam, other: Exam) -> bool:
    if (one.details, one.newborn) != (other.details, other.newborn):
        return False
    return sorted(map(repr, one.findings)) == sorted(map(repr, other.findings))
