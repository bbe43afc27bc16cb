"""One connection to an MLLP listener: opened when needed, kept, and opened anew after anything went wrong."""

from __future__ import annotations

import select
import socket
import ssl
import threading
import time
from collections.abc import Callable
from typing import Self, TypeVar

import httpx

from adapter.send.address import on_this_machine
from adapter.send.failures import Cause, Unreachable, unreachable
from adapter.send.mllp.frames import Frames, framed
from adapter.send.policy import USUAL, Timeouts

T = TypeVar("T")


def mllp_address(url: str, allow_plain: bool = False) -> httpx.URL:
    """The address of a listener, ``mllp://host:port`` or ``mllps://host:port`` (TLS).

    Raises ``ValueError`` for what is no such address, or is plain and leads to another machine where that was not
    allowed.
    """
    try:
        found = httpx.URL(url.rstrip("/"))
    except httpx.InvalidURL as error:
        raise ValueError(f"not an address: {error}") from None
    if found.scheme not in ("mllp", "mllps") or not found.host or found.port is None or found.path not in ("", "/"):
        raise ValueError("the address of a listener looks like mllps://host:2575")
    if found.userinfo or found.query or found.fragment:
        raise ValueError("the address of a listener is scheme, host and port alone")
    if found.scheme == "mllp" and not allow_plain and not on_this_machine(found):
        raise ValueError(f"plain mllp to {found.host} could be read on the way; use mllps")
    return found


class NoAcknowledgement(Unreachable):
    """A message was sent, or may have been, and nothing that acknowledges it came: nobody knows what became of it."""


class Connection:
    """Sends one message at a time and waits for its answer; from any thread, one after the other."""

    def __init__(self, address: httpx.URL, times: Timeouts = USUAL, tls: ssl.SSLContext | None = None) -> None:
        self._host, self._port, self._times = address.host, address.port or 0, times
        self._tls = (tls or ssl.create_default_context()) if address.scheme == "mllps" else None
        self.url = f"{address.scheme}://{address.host}:{address.port}"
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._frames, self._others = Frames(), 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection; the next exchange opens it again."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None

    def exchange(self, message: bytes, answer: Callable[[bytes], T | None]) -> T:
        """Send a message and give each block that arrives to ``answer`` until that gives something back.

        Raises :class:`Unreachable` where there is no connection, :class:`NoAcknowledgement` where nothing came of it
        (the next connection is then a new one), and what ``answer`` raises.
        """
        with self._lock:
            deadline, self._others = time.monotonic() + self._times.whole, 0
            try:
                connected = self._connected()
            except OSError as error:
                self.close()
                raise unreachable(self.url, error) from None
            try:
                return self._exchange(connected, message, answer, deadline)
            except (OSError, ValueError) as error:
                self.close()
                if (found := unreachable(self.url, error)).cause is Cause.CERTIFICATE:
                    raise found from None
                what = f"{self.url} gave no acknowledgement ({type(error).__name__})"
                raise self._silence(what) from None
            except NoAcknowledgement:
                self.close()
                raise

    def _silence(self, what: str) -> NoAcknowledgement:
        """With what was passed over meanwhile; something that answers to other messages than ours is not the
        listener that is meant, or stands before it."""
        if not self._others:
            return NoAcknowledgement(what)
        return NoAcknowledgement(f"{what}; {self._others} acknowledgements were of other messages", Cause.GATEWAY)

    def _exchange(
        self, connected: socket.socket, message: bytes, answer: Callable[[bytes], T | None], deadline: float
    ) -> T:
        connected.settimeout(max(0.001, min(self._times.read, deadline - time.monotonic())))
        connected.sendall(framed(message))
        while True:
            left = deadline - time.monotonic()
            if left <= 0:
                raise TimeoutError
            connected.settimeout(min(left, self._times.read))
            piece = connected.recv(65536)
            if not piece:
                raise self._silence(f"{self.url} closed the connection before it acknowledged")
            for block in self._frames.feed(piece):
                found = answer(block)
                if found is not None:
                    return found
                self._others += 1

    def is_open_to_us(self) -> bool:
        """Whether a connection can be made (there is no question that MLLP could ask besides)."""
        with self._lock:
            try:
                self._connected()
            except OSError:
                self.close()
                return False
            return True

    def _connected(self) -> socket.socket:
        """The connection; a new one where there is none, or where the listener has closed it meanwhile."""
        if self._socket is not None and _has_ended(self._socket):
            self.close()
        if self._socket is None:
            self._frames = Frames()
            made = socket.create_connection((self._host, self._port), timeout=self._times.connect)
            try:
                made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._socket = made if self._tls is None else self._tls.wrap_socket(made, server_hostname=self._host)
            except BaseException:
                made.close()
                raise
        return self._socket


def _has_ended(connected: socket.socket) -> bool:
    """Whether the other side has closed, or has something to say that nobody asked for: then a new one is safer."""
    ready, _, _ = select.select([connected], [], [], 0)
    return bool(ready)
