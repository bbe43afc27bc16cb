"""What can go wrong between a message and its receiver, by what is to be done about it."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum
from typing import ClassVar

from adapter.problems import AdapterError, ExitCode, Layer, Problem, Severity
from adapter.send.message import MessagePart


class Cause(StrEnum):
    """Where the trouble lies, by who is to do something about it."""

    NETWORK = "network"
    CERTIFICATE = "certificate"
    TOKEN = "token"  # noqa: S105 (no password)
    SCOPE = "scope"
    GATEWAY = "gateway"
    SERVER = "server"
    EXAM = "exam"


TO_DO: dict[Cause, str] = {
    Cause.NETWORK: "the right address, and a network that lets this machine through to it",
    Cause.CERTIFICATE: "a certificate that is in date, for this name, of an authority that is trusted (tls in the "
    "target file), and this machine's clock right",
    Cause.TOKEN: "auth in the target file as the authorisation server has it, and that server well",
    Cause.SCOPE: "the right to write what an exam holds, given to this client by whoever runs the server (scope)",
    Cause.GATEWAY: "the FHIR server's own address, and what stands before it (proxy, gateway) letting this through",
    Cause.SERVER: "the receiver mended by those who run it; nothing is lost meanwhile",
    Cause.EXAM: "the exam mended as the reasons say, and handed over again",
}
"""The one thing to do."""


_OF_CERTIFICATES = ("CERTIFICATE", "UNKNOWN_CA", "CERT_")


class Undelivered(AdapterError):
    """A message did not arrive, as far as anyone knows. Raised as one of its subclasses, which say what is done.

    ``problems`` are the reasons in words, without patient data; ``retry_after`` the seconds that the receiver asks to
    be left in peace; ``parts`` what became of those parts of the message that it did answer to; ``cause`` says where
    the trouble lies; ``nobody`` is there who could answer (as of :class:`Unreachable`).
    """

    exit_code = ExitCode.SERVER
    usual: ClassVar[Cause] = Cause.SERVER

    def __init__(
        self,
        problems: Iterable[Problem] = (),
        *,
        retry_after: float | None = None,
        parts: Iterable[MessagePart] = (),
        cause: Cause | None = None,
        nobody: bool = False,
    ) -> None:
        super().__init__(problems=problems)
        self.retry_after, self.nobody = retry_after, nobody
        self.parts = tuple(parts)
        self.cause = cause or self.usual


class Failed(Undelivered):
    """Perhaps because of this message, since the receiver is well otherwise: it is tried again, and counted."""


class Ailing(Failed):
    """Hardly because of this message: the receiver says itself that it is not well, or something answered in its
    place. It is tried again; that is held against it only where the others arrive, or in the very end."""


class Rejected(Undelivered):
    """Because of this message: the receiver will never take it."""

    usual = Cause.EXAM


class Held(Undelivered):
    """It may be another newborn's, or a version of something that nobody knows: nothing is sent and no other exam is
    held up; a person decides."""

    exit_code = ExitCode.PROBLEMS
    usual = Cause.EXAM


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

    The receiver may have carried the request out all the same. ``cause`` is the network, the certificate, or where
    it was the authorisation server that did not answer, the token. ``nobody``: there is no such host, or nothing
    listens there.
    """

    exit_code = ExitCode.SERVER

    def __init__(self, words: str, cause: Cause = Cause.NETWORK, *, nobody: bool = False) -> None:
        super().__init__(words)
        self.cause, self.nobody = cause, nobody


def unreachable(where: str, error: BaseException) -> Unreachable:
    """No answer from ``where``, as words and a cause. The error's own words may hold anything: only its kind is told;
    of a certificate, what is wrong with it."""
    for one in _chain(error):
        if isinstance(one, ssl.SSLCertVerificationError):
            what = f"the certificate of {where} is not accepted: {one.verify_message} ({type(one).__name__})"
            return Unreachable(what, Cause.CERTIFICATE)
        if isinstance(one, ssl.SSLError) and any(word in (one.reason or "") for word in _OF_CERTIFICATES):
            what = (one.reason or "").replace("_", " ").lower()
            return Unreachable(f"{where} does not accept the certificate of this client ({what})", Cause.CERTIFICATE)
        if isinstance(one, ConnectionRefusedError):
            return Unreachable(f"nothing listens at {where}: the connection is refused", nobody=True)
        if isinstance(one, socket.gaierror):
            return Unreachable(f"no such host on this network: {where}", nobody=True)
    return Unreachable(f"{where} gave no answer ({type(error).__name__})")


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


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
