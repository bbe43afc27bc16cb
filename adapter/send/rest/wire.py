"""How bytes travel to an HTTP server and back, within bounds.

- **One deadline** over all that a request needs: connecting, TLS, head, body, answers that only announce others
  (1xx), and a token that has to be asked for first. What trickles in is cut off by it; a wait for the network's own
  name service is not.
- **A connection a request.** What a server says besides its answer (the same again, another's) dies with the
  connection and is never taken for the answer to the next request.
- **One coding**, gzip, which was asked for, unpacked in pieces up to a bound.

httpcore's backends and httpx's transports are theirs to be replaced; httpx's own transport has no deadline.
"""

from __future__ import annotations

import math
import os
import ssl
import threading
import urllib.request
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from time import monotonic
from typing import Any

import httpcore
import httpx

from adapter.send.address import on_this_machine
from adapter.send.policy import Timeouts

LARGEST = 256 * 1024 * 1024
"""Bytes of an answer, unpacked; more is no answer."""

LARGEST_FILE = 64 * LARGEST
"""Bytes of a file, unpacked, that goes to the disk as it comes."""

_PIECE = 64 * 1024
_ERRORS = (
    httpcore.TimeoutException,
    httpcore.NetworkError,
    httpcore.ProtocolError,
    httpcore.ProxyError,
    httpcore.UnsupportedProtocol,
)
_clock = threading.local()


@contextmanager
def within(seconds: float) -> Iterator[None]:
    """All that this thread sends and receives in the block ends within so many seconds; an earlier end stays."""
    before = getattr(_clock, "end", math.inf)
    _clock.end = min(before, monotonic() + seconds)
    try:
        yield
    finally:
        _clock.end = before


def opened(
    url: httpx.URL,
    times: Timeouts,
    *,
    tls: ssl.SSLContext | None = None,
    proxy: str | None = None,
    auth: httpx.Auth | None = None,
    transport: httpx.BaseTransport | None = None,
    largest: int = LARGEST,
) -> httpx.Client:
    """A client for the server at ``url``, of answers up to ``largest`` bytes.

    It follows no redirect: what is sent is meant for this server.
    """
    through = proxy or _proxy_of_environment(url)
    return httpx.Client(
        transport=transport or WireTransport(tls or _usual_tls(), through, largest),
        timeout=httpx.Timeout(times.read, connect=times.connect),
        auth=auth,
        follow_redirects=False,
        trust_env=False,
        headers={"Accept-Encoding": "gzip", "Connection": "close"},
    )


def _usual_tls() -> ssl.SSLContext:
    return _trusting(os.environ.get("SSL_CERT_FILE"), os.environ.get("SSL_CERT_DIR"))


@cache
def _trusting(*named: str | None) -> ssl.SSLContext:
    """Whom TLS trusts where no target says it, by these variables: reading that takes longer than a request."""
    return httpx.create_ssl_context()


def _proxy_of_environment(url: httpx.URL) -> str | None:
    """HTTPS_PROXY and NO_PROXY, as the standard library reads them; a proxy is for other machines."""
    if on_this_machine(url) or urllib.request.proxy_bypass(url.host):
        return None
    known = urllib.request.getproxies()
    return known.get(url.scheme) or known.get("all")


class WireTransport(httpx.BaseTransport):
    """See the module. Raises what httpx's own raises; ``httpx.DecodingError`` for a coding that was not asked for."""

    def __init__(self, tls: ssl.SSLContext, proxy: str | None = None, largest: int = LARGEST) -> None:
        self._largest = largest
        self._pool = httpcore.ConnectionPool(
            ssl_context=tls,
            proxy=_proxy(proxy) if proxy else None,
            max_connections=None,
            max_keepalive_connections=0,
            network_backend=_Backend(),
        )

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """One request; its answer is read through :class:`_Body`."""
        assert isinstance(request.stream, httpx.SyncByteStream)
        url = httpcore.URL(
            scheme=request.url.raw_scheme,
            host=request.url.raw_host,
            port=request.url.port,
            target=request.url.raw_path,
        )
        sent = httpcore.Request(
            request.method, url, headers=request.headers.raw, content=request.stream, extensions=request.extensions
        )
        with _as_httpx():
            answer = self._pool.handle_request(sent)
        assert isinstance(answer.stream, Iterable)
        body = _Body(answer.stream, _coding(answer.headers), self._largest)
        kept = [(name, value) for name, value in answer.headers if name.lower() != b"content-encoding"]
        return httpx.Response(answer.status, headers=kept, stream=body, extensions=answer.extensions)

    def close(self) -> None:
        """Close all connections."""
        self._pool.close()


class _Body(httpx.SyncByteStream):
    """An answer's body, unpacked."""

    def __init__(self, stream: Iterable[bytes], coding: str, largest: int) -> None:
        self._stream, self._coding, self._largest = stream, coding, largest

    def __iter__(self) -> Iterator[bytes]:
        if self._coding not in ("", "identity", "gzip", "x-gzip"):
            raise httpx.DecodingError("a coding that was not asked for")
        count = 0
        with _as_httpx():
            for piece in _gunzipped(self._stream) if "gzip" in self._coding else self._stream:
                count += len(piece)
                if count > self._largest:
                    raise httpx.ReadError("the answer has no end")
                yield piece

    def close(self) -> None:
        """Let the connection go."""
        if (close := getattr(self._stream, "close", None)) is not None:
            close()


def _coding(headers: Iterable[tuple[bytes, bytes]]) -> str:
    values = [value.decode("latin-1") for name, value in headers if name.lower() == b"content-encoding"]
    return ",".join(values).strip().lower()


def _gunzipped(pieces: Iterable[bytes]) -> Iterator[bytes]:
    """The content of one gzip stream (RFC 1952), never more than a piece of it at once."""
    unpack, some = zlib.decompressobj(zlib.MAX_WBITS | 16), False
    try:
        for piece in pieces:
            some = some or bool(piece)
            while piece and not unpack.eof:
                yield unpack.decompress(piece, _PIECE)
                piece = unpack.unconsumed_tail
            if unpack.eof and unpack.unused_data:
                raise httpx.DecodingError("more than one packed content")
        if not some:
            return
        while not unpack.eof and (rest := unpack.decompress(b"", _PIECE)):
            yield rest
    except zlib.error:
        raise httpx.DecodingError("not packed as it says") from None
    if not unpack.eof:
        raise httpx.DecodingError("the packed content is cut off")


@contextmanager
def _as_httpx() -> Iterator[None]:
    try:
        yield
    except _ERRORS as error:
        raise getattr(httpx, type(error).__name__, httpx.TransportError)(type(error).__name__) from error


def _proxy(address: str) -> httpcore.Proxy:
    given = httpx.Proxy(address)
    url = httpcore.URL(scheme=given.url.raw_scheme, host=given.url.raw_host, port=given.url.port, target=b"/")
    return httpcore.Proxy(url, auth=given.raw_auth, headers=given.headers.raw)


def _left(timeout: float | None, late: type[httpcore.TimeoutException]) -> float | None:
    """Seconds that may still be waited. Raises ``late`` where there are none."""
    left: float = getattr(_clock, "end", math.inf) - monotonic()
    if left <= 0:
        raise late("the time for the whole request is over")
    bound = left if timeout is None else min(timeout, left)
    return None if bound == math.inf else bound


class _Backend(httpcore.NetworkBackend):
    """httpcore's own connections, within the deadline of the thread."""

    def __init__(self) -> None:
        self._plain = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        """A connection."""
        seconds = _left(timeout, httpcore.ConnectTimeout)
        return _Stream(self._plain.connect_tcp(host, port, seconds, local_address, socket_options or ()))

    def sleep(self, seconds: float) -> None:
        """Nothing here sleeps."""


class _Stream(httpcore.NetworkStream):
    def __init__(self, plain: httpcore.NetworkStream) -> None:
        self._plain = plain

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        """What has arrived."""
        return self._plain.read(max_bytes, _left(timeout, httpcore.ReadTimeout))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        """All of it, in pieces, so that a receiver that takes it byte by byte holds nobody up."""
        for start in range(0, len(buffer), _PIECE):
            self._plain.write(buffer[start : start + _PIECE], _left(timeout, httpcore.WriteTimeout))

    def close(self) -> None:
        """Close it."""
        self._plain.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        """The same, encrypted."""
        return _Stream(self._plain.start_tls(ssl_context, server_hostname, _left(timeout, httpcore.ConnectTimeout)))

    def get_extra_info(self, info: str) -> Any:
        """As httpcore's own."""
        return self._plain.get_extra_info(info)
