"""An application that passes each request on to another server: a place to rehearse failures before any server."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import httpx
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

# What concerns one connection only (RFC 9110, section 7.6.1), and what is set anew on the next.
_OF_THE_CONNECTION = frozenset(
    {
        "connection",
        "keep-alive",
        "proxy-connection",
        "te",
        "trailer",
        "transfer-encoding",
        "upgrade",
        "content-length",
    }
)
_METHODS = ["GET", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"]


def forward_to(origin: str, *, timeout: float = 120.0) -> Starlette:
    """The application; ``origin`` is scheme, host and port, a path is taken over as it is.

    The Host header is passed on too, so that a server which builds addresses from it names the place where its
    client found it. A server that cannot be reached answers 502. Bodies travel as they are, packed or not.
    """

    async def pass_on(request: Request) -> Response:
        client: httpx.AsyncClient = request.app.state.client
        target = httpx.URL(origin).copy_with(raw_path=_target(request))
        kept = [(n, v) for n, v in request.headers.raw if n.decode("latin-1") not in _OF_THE_CONNECTION]
        sent = client.build_request(request.method, target, headers=kept, content=await request.body())
        try:
            answer = await client.send(sent, stream=True)
            try:
                content = b"".join([piece async for piece in answer.aiter_raw()])
            finally:
                await answer.aclose()
        except httpx.TransportError:
            return Response("the server behind gives no answer", 502)
        response = Response(content, answer.status_code)
        response.raw_headers = [
            *((n.lower(), v) for n, v in answer.headers.raw if n.lower().decode("latin-1") not in _OF_THE_CONNECTION),
            (b"content-length", str(len(content)).encode()),
        ]
        return response

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        async with httpx.AsyncClient(timeout=timeout, trust_env=False) as client:
            # What httpx would add of its own is not the client's.
            client.headers.clear()
            app.state.client = client
            yield

    return Starlette(routes=[Route("/{path:path}", pass_on, methods=_METHODS)], lifespan=lifespan)


def _target(request: Request) -> bytes:
    path: bytes = request.scope.get("raw_path") or request.url.path.encode()
    query: bytes = request.scope["query_string"]
    return path + b"?" + query if query else path
