"""Carrying out the failures of :mod:`adapter.sandbox.faults`: a layer of ASGI around an application.

It stands outermost, so that it can spoil whatever the application answers. Cutting a connection is not in ASGI;
:class:`Connections` reaches for the socket, in an application that runs under uvicorn with its protocol class.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import AsyncIterator
from typing import Any, cast

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.auto import AutoHTTPProtocol

from adapter.fhir import json as fhir_json
from adapter.sandbox import negotiation
from adapter.sandbox.faults import CutBody, Faults, Hang, HtmlAnswer, Latency, Rule, SlowBody, StatusAnswer, WrongType
from adapter.sandbox.negotiation import MEDIA_TYPE, BodyLimits
from adapter.sandbox.refusal import Refusal, outcome

_PIECES = 10

# How long the network gets to carry the first half of an answer before the connection is cut, in seconds: a
# reset overtakes what was not yet delivered.
_HALFWAY = 0.02

# What a server that means it would say (issue types of the R4 value set issue-type).
_ISSUE = {401: "login", 403: "forbidden", 404: "not-found", 408: "timeout", 409: "conflict", 410: "deleted"} | {
    412: "conflict",
    413: "too-long",
    422: "processing",
    429: "throttled",
    503: "transient",
    504: "timeout",
}

_PAGE = "<!doctype html><html><head><title>Gateway</title></head><body><h1>Not the page you want</h1></body></html>"


class Connections:
    """The open connections of a server, by the client's address."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, int], asyncio.Transport] = {}

    def protocol(self) -> type[asyncio.Protocol]:
        """uvicorn's protocol class (its setting ``http``), with each connection noted here."""
        known = self._open

        class Noted(AutoHTTPProtocol):  # type: ignore[misc, valid-type]
            def connection_made(self, transport: asyncio.BaseTransport) -> None:
                known[transport.get_extra_info("peername")[:2]] = cast(asyncio.Transport, transport)
                super().connection_made(transport)

            def connection_lost(self, error: Exception | None) -> None:
                for client in [client for client, one in known.items() if one is self.transport]:
                    del known[client]
                super().connection_lost(error)

        return Noted

    def reset(self, scope: Scope) -> None:
        """End the connection of a request with a TCP reset, dropping what is not yet sent."""
        transport = self._open.get(scope["client"])
        if transport is not None:
            bound = transport.get_extra_info("socket")
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            transport.abort()

    def close(self, scope: Scope) -> None:
        """End the connection of a request in order, after what is sent."""
        transport = self._open.get(scope["client"])
        if transport is not None:
            transport.close()


class Faulty:
    """``app`` with the failures that ``faults`` ask for."""

    def __init__(self, app: ASGIApp, faults: Faults, connections: Connections, limits: BodyLimits) -> None:
        self._app = app
        self._faults = faults
        self._connections = connections
        self._limits = limits

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        # The request is taken in whole: an answer before its end would be another failure than the one meant.
        request = _Request(receive)
        await request.take(self._limits.received)
        body = await request.body(scope, self._limits) if self._faults.needs_body else b""
        rule = self._faults.hit(scope["method"], scope["path"], body)
        await self._spoil(rule, scope, request, send)

    async def _spoil(self, rule: Rule | None, scope: Scope, request: _Request, send: Send) -> None:
        match rule:
            case None:
                await self._app(scope, request.receive, send)
            case Latency():
                await asyncio.sleep(rule.seconds)
                await self._app(scope, request.receive, send)
            case Hang():
                if rule.carried_out:
                    await self._taken(scope, request)
                await request.gone(rule.seconds)
                self._connections.close(scope)
                await request.gone(rule.seconds)
            case HtmlAnswer() | StatusAnswer():
                if rule.carried_out:
                    await self._taken(scope, request)
                await _instead(rule)(scope, request.receive, send)
            case CutBody(fault="reset-before"):
                self._connections.reset(scope)
                await request.gone()
            case CutBody(fault="reset-after"):
                await self._taken(scope, request)
                self._connections.reset(scope)
                await request.gone()
            case _:
                start, content = await self._taken(scope, request)
                await self._half(rule, start, content, scope, request, send)

    async def _half(
        self, rule: Rule, start: Message, content: bytes, scope: Scope, request: _Request, send: Send
    ) -> None:
        """The application's own answer, spoiled on its way."""
        headers = MutableHeaders(raw=start["headers"])
        middle = content[: len(content) // 2]
        match rule:
            case SlowBody():
                await send(start)
                size = max(1, -(-len(content) // _PIECES))
                for at in range(0, len(content), size):
                    await asyncio.sleep(rule.seconds / _PIECES)
                    await send(_body(content[at : at + size], more=True))
                await send(_body(b""))
            case WrongType():
                headers["content-type"] = rule.content_type
                await send(start)
                await send(_body(content))
            case CutBody(fault="truncated" | "empty"):
                kept = middle if rule.fault == "truncated" else b""
                headers["content-length"] = str(len(kept))
                await send(start)
                await send(_body(kept))
            case _:
                await send(start)
                await send(_body(middle, more=True))
                await asyncio.sleep(_HALFWAY)
                if isinstance(rule, CutBody) and rule.fault == "reset-body":
                    self._connections.reset(scope)
                else:
                    self._connections.close(scope)
                await request.gone()

    async def _taken(self, scope: Scope, request: _Request) -> tuple[Message, bytes]:
        """Let the application carry the request out, and keep its answer: the head, and the body without gzip.

        The body is taken unpacked because half of a packed one is another failure: one that cannot be unpacked.
        """
        messages: list[Message] = []

        async def keep(message: Message) -> None:
            messages.append(message)

        plain = [(name, value) for name, value in scope["headers"] if name != b"accept-encoding"]
        await self._app({**scope, "headers": plain}, request.receive, keep)
        content = b"".join(m.get("body", b"") for m in messages if m["type"] == "http.response.body")
        return messages[0], content


class _Request:
    """A request's messages, taken in and given out again."""

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._taken: list[Message] = []
        self._given = 0

    async def take(self, most: int) -> None:
        """Take in the body, up to ``most`` bytes; what is beyond is left where it is."""
        size, more = 0, True
        while more and size <= most:
            message = await self._receive()
            self._taken.append(message)
            size += len(message.get("body", b""))
            more = message.get("more_body", False)

    async def receive(self) -> Message:
        """For the application: what was taken, then what comes."""
        if self._given < len(self._taken):
            self._given += 1
            return self._taken[self._given - 1]
        return await self._receive()

    async def body(self, scope: Scope, limits: BodyLimits) -> bytes:
        """The body unpacked, for looking into; empty where it is too large or cannot be unpacked."""

        async def pieces() -> AsyncIterator[bytes]:
            for message in self._taken:
                yield message.get("body", b"")

        encoding = Headers(scope=scope).get("content-encoding", "").strip().lower()
        try:
            return await negotiation.body(pieces(), encoding, limits)
        except Refusal:
            return b""

    async def gone(self, seconds: float | None = None) -> None:
        """Wait until the client or the connection is gone, at most ``seconds``."""
        try:
            async with asyncio.timeout(seconds):
                while (await self._receive())["type"] != "http.disconnect":
                    pass
        except TimeoutError:
            pass


def _instead(rule: HtmlAnswer | StatusAnswer) -> Response:
    """The answer that the application did not give."""
    if isinstance(rule, HtmlAnswer):
        return HTMLResponse(_PAGE, rule.status)
    headers = {"Retry-After": rule.retry_after} if rule.retry_after else {}
    if rule.status == 401:
        headers["WWW-Authenticate"] = 'Bearer error="invalid_token"'  # RFC 6750, section 3
    code = _ISSUE.get(rule.status, "exception" if rule.status >= 500 else "processing")
    content = outcome("error", code, f"a rehearsed failure: {rule.status}")
    return Response(fhir_json.dumps(content), rule.status, headers, MEDIA_TYPE["json"])


def _body(content: bytes, *, more: bool = False) -> dict[str, Any]:
    return {"type": "http.response.body", "body": content, "more_body": more}
