"""Acknowledgements (HL7 v2.5.1, sections 2.9 and 2.13): of which message they are, what they say, what is done.

| MSA-1 | what is done |
|---|---|
| AA; CA where nothing more was asked for | it arrived |
| CA where the application's answer was asked for too | wait for that |
| AE, CE | given up: the receiver found an error in the message |
| AR, CR | again, later: refused "for reasons unrelated to its content or format", "likely" accepted later (2.9.2.2) |
| any of them with a code of table 0357 | by the code: 206 and 207 again; 100 to 205 given up |

Codes: table 0008 (MSA-1), table 0357 (ERR-3, ERR-1.4, MSA-6), table 0516 (ERR-4).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from adapter.problems import Layer, Problem, Severity
from adapter.send.failures import Refused
from adapter.send.words import kept
from adapter.v2.er7 import Read, messages

_CODES = frozenset({"AA", "AE", "AR", "CA", "CE", "CR"})
_AGAIN = {"206": "application record locked", "207": "application internal error"}
_NEVER = {
    "100": "segment sequence error",
    "101": "required field missing",
    "102": "data type error",
    "103": "table value not found",
    "104": "value too long",
    "198": "cardinality not as agreed",
    "199": "another error of HL7",
    "200": "unsupported message type",
    "201": "unsupported event code",
    "202": "unsupported processing id",
    "203": "unsupported version",
    "204": "unknown key identifier",
    "205": "duplicate key identifier",
}
_SEVERITIES = {"E": Severity.ERROR, "F": Severity.FATAL, "W": Severity.WARNING, "I": Severity.INFORMATION}
_MOST = 20
_FIELD = r"[A-Z][A-Z0-9]{2}(-\d{1,3})?"
_PLACE = re.compile(rf"{_FIELD}|segment \d{{1,4}} \({_FIELD}\)")


class NotAccepted(Refused):
    """A receiver refused a message; ``again``: it may well take the same message later."""

    def __init__(self, code: str, problems: Sequence[Problem], again: bool) -> None:
        super().__init__(f"the receiver answered {code}: {problems[0].what}", problems)
        self.code, self.again = code, again


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """One acknowledgement: its code (table 0008), the control id of the message it is of, and what it remarks."""

    code: str
    control_id: str
    problems: tuple[Problem, ...]
    errors: frozenset[str]

    @classmethod
    def of(cls, block: bytes) -> Acknowledgement | None:
        """From what arrived; None where it is no acknowledgement."""
        try:
            segments = next(messages(block))
        except ValueError:
            return None
        answer = next((one for one in segments if one.name == "MSA"), None)
        if answer is None or answer.part(1) not in _CODES:
            return None
        errors = [one for one in segments if one.name == "ERR"]
        codes = {code for one in errors for code in _codes(one)} | {answer.part(6)}
        return cls(answer.part(1), answer.part(2), tuple(_problems(answer, errors)), frozenset(codes) - {""})

    @property
    def accepts(self) -> bool:
        """Whether it says that the message was taken."""
        return self.code in ("AA", "CA")

    @property
    def again(self) -> bool:
        """Whether the same message may be taken later."""
        if self.errors & _NEVER.keys():
            return False
        return bool(self.errors & _AGAIN.keys()) or self.code in ("AR", "CR")


def accepted(block: bytes, control_id: str, wanted: frozenset[str]) -> Acknowledgement | None:
    """The acknowledgement that ends the exchange of a message; None for anything else.

    ``wanted`` are the codes that end it well. What is of another message, or says only that the message has been
    stored where the application's answer was asked for, is passed over. Raises :class:`NotAccepted`.
    """
    found = Acknowledgement.of(block)
    if found is None or found.control_id != control_id:
        return None
    if not found.accepts:
        raise NotAccepted(found.code, found.problems, found.again)
    return found if found.code in wanted else None


def wanted_of(header: Read) -> frozenset[str]:
    """The codes that end an exchange well, by what MSH-15 and MSH-16 ask for: both empty is original mode."""
    accept, application = header.raw(15), header.raw(16)
    if (accept, application) == ("", "") or application in ("AL", "SU"):
        return frozenset({"AA"})
    # Some answer for the application at once, which says more than was asked for.
    return frozenset({"CA", "AA"})


def _codes(error: Read) -> Iterator[str]:
    """ERR-3.1; in ERR segments of versions before 2.5, the code in ERR-1.4."""
    yield error.part(3)
    for repetition in error.repetitions(1):
        yield error.within(repetition, 4, 1)


def _problems(answer: Read, errors: Sequence[Read]) -> Iterator[Problem]:
    said = answer.part(3) or answer.part(6, 2)
    made = [one for error in errors[:_MOST] for one in _of(error, said)]
    if made:
        yield from made
    elif not answer.part(1).endswith("A"):
        yield _problem(answer.part(6) or answer.part(1), said, Severity.ERROR, "MSA")


def _of(error: Read, said: str) -> Iterator[Problem]:
    severity = _SEVERITIES.get(error.part(4), Severity.ERROR)
    if error.raw(3):
        words = error.part(8) or error.part(7) or error.part(5, 2) or said or error.part(3, 2)
        yield _problem(error.part(3), words, severity, _place([error.part(2, n) for n in range(1, 5)]))
        return
    for repetition in error.repetitions(1):
        where = _place([error.within(repetition, n) for n in range(1, 4)])
        yield _problem(error.within(repetition, 4, 1), error.within(repetition, 4, 2) or said, severity, where)


def _place(parts: Sequence[str]) -> str:
    """ERL or ELD in words: segment, which of them, field, which repetition."""
    segment, number, *rest = [*parts, "", "", ""]
    field = f"-{rest[0]}" if rest[0] else ""
    return f"segment {number} ({segment}{field})" if number else f"{segment}{field}"


def _problem(code: str, words: str, severity: Severity, where: str) -> Problem:
    named = {**_NEVER, **_AGAIN}.get(code, "")
    what = ": ".join(part for part in (named, kept(words)) if part) or "the receiver does not say what is wrong"
    known = named or code in _CODES
    place = (
        where
        if re.fullmatch(r"[A-Z][A-Z0-9]{2}(-\d{1,3})?|segment \d{1,4} \([A-Z][A-Z0-9]{2}(-\d{1,3})?\)", where)
        else ""
    )
    return Problem(severity, Layer.TRANSPORT, f"hl7-{code}" if known else "hl7-error", what, where=place)
