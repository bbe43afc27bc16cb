"""Servers for this machine only: where they listen, how they run, and which requests they answer.

Other machines cannot reach a loopback address, but a browser on this one can be made to by a page of another site: by
sending requests to it (the header Origin tells), or under a name of its own that it lets lead here (the header Host
tells; DNS rebinding).
"""

from __future__ import annotations

import ipaddress
import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from time import sleep
from typing import Any
from urllib.parse import urlsplit

import uvicorn
from starlette.requests import Request
from starlette.types import ASGIApp

from adapter.problems import AdapterError, ExitCode

_HERE = frozenset({"127.0.0.1", "::1", "localhost"})


class CannotServe(AdapterError):
    """The server cannot start at this address; the message says why and what would be right."""

    exit_code = ExitCode.USAGE


def bind(host: str, port: int) -> socket.socket:
    """A listening socket; refuses every address that other machines could reach.

    Port 0 takes any free one. Raises :class:`CannotServe`.
    """
    try:
        address = ipaddress.ip_address("127.0.0.1" if host == "localhost" else host)
    except ValueError:
        raise CannotServe(f"{host} is not an address; use 127.0.0.1, ::1 or localhost") from None
    if not address.is_loopback:
        raise CannotServe(f"{host} can be reached from other machines; only 127.0.0.1 or ::1 are served")
    family = socket.AF_INET6 if address.version == 6 else socket.AF_INET
    # The protocol is named because asyncio switches delayed sending off only then: 40 ms an answer.
    bound = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((str(address), port))
        bound.listen(128)
    except OSError as error:
        bound.close()
        raise CannotServe(f"port {port} on {host} cannot be used: {error.strerror}; choose another") from None
    return bound


def url_of(host: str, bound: socket.socket) -> str:
    """Where a bound socket answers, without a slash at the end."""
    port = bound.getsockname()[1]
    return f"http://{f'[{host}]' if ':' in host else host}:{port}"


def quiet_server(app: ASGIApp, **options: Any) -> uvicorn.Server:
    """A server that logs nothing: paths, messages and tracebacks may hold patient data."""
    return uvicorn.Server(uvicorn.Config(app, log_level="critical", access_log=False, log_config=None, **options))


def run_in_front(server: uvicorn.Server, bound: socket.socket) -> None:
    """The server until the process is told to stop. Raises ``KeyboardInterrupt`` after a clean stop, by Ctrl-C or by
    SIGTERM, which service managers and containers send: the program goes on to its end."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        server.run(sockets=[bound])
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def in_a_thread(server: uvicorn.Server, bound: socket.socket, name: str) -> Iterator[None]:
    """The server in a thread of this process: up when the block begins, down when it ends."""
    thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]}, name=name, daemon=True)
    thread.start()
    while not server.started:
        if not thread.is_alive():
            raise CannotServe("the server stopped while it was starting")
        sleep(0.005)
    try:
        yield
    finally:
        server.should_exit = True
        thread.join()


def is_for_here(request: Request, behind: str | None = None) -> bool:
    """Whether the request names this machine in its Host header, and not another name that was made to lead here.

    ``behind``: the origin by which a reverse proxy shows what is here; its name is then right as well.
    """
    return request.url.hostname in _HERE or _by_proxy(request, behind)


def is_from_here(request: Request, behind: str | None = None) -> bool:
    """Whether no page of another site or of a file sent the request.

    A browser puts the page's own site into the header Origin of every POST (Fetch, section 3.2); a program that is no
    browser sends none.
    """
    own = behind if _by_proxy(request, behind) else f"{request.url.scheme}://{request.headers.get('host', '')}"
    site = request.headers.get("sec-fetch-site", "same-origin")
    return request.headers.get("origin") in (None, own) and site in ("same-origin", "none")


def _by_proxy(request: Request, behind: str | None) -> bool:
    return behind is not None and request.headers.get("host") == urlsplit(behind).netloc
