"""What can go wrong between a message and its receiver, by what is to be done about it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from adapter.problems import AdapterError, ExitCode, Layer, Problem, Severity
from adapter.send.message import Part


class Undelivered(AdapterError):
    """A message did not arrive, as far as anyone knows. Raised as one of its subclasses, which say what is done.

    ``problems`` are the reasons in words, without patient data; ``retry_after`` the seconds that the receiver asks to
    be left in peace; ``parts`` what became of those parts of the message that it did answer to.
    """

    exit_code = ExitCode.SERVER

    def __init__(
        self, problems: Iterable[Problem] = (), *, retry_after: float | None = None, parts: Iterable[Part] = ()
    ) -> None:
        super().__init__(problems=problems)
        self.retry_after = retry_after
        self.parts = tuple(parts)


class Failed(Undelivered):
    """Perhaps because of this message, since the receiver is well otherwise: it is tried again, and counted."""


class Rejected(Undelivered):
    """Because of this message: the receiver will never take it."""


class Unavailable(Undelivered):
    """Because of the receiver, or of our right to use it: all messages wait, and none is counted against."""


class Closed(Unavailable):
    """Nothing can be sent there, whatever the message, and waiting alone will not mend it."""


class Superseded(Undelivered):
    """The receiver has a newer version of the exam, ``newer``: this one is not sent any more."""

    def __init__(self, newer: str) -> None:
        super().__init__()
        self.newer = newer


class Unreachable(AdapterError):
    """No answer came, or only part of one: no connection, a time-out, a connection cut.

    The receiver may have carried the request out all the same.
    """

    exit_code = ExitCode.SERVER


class Refused(AdapterError):
    """A receiver answered, and not with what was asked for: ``problems`` say why; ``retry_after`` are the seconds
    that it asks to wait."""

    exit_code = ExitCode.SERVER

    def __init__(self, words: str, problems: Sequence[Problem], retry_after: float | None = None) -> None:
        super().__init__(words, problems)
        self.retry_after = retry_after


def problem(rule: str, what: str, remedy: str = "") -> Problem:
    """An error of sending."""
    return Problem(Severity.ERROR, Layer.TRANSPORT, rule, what, remedy)
