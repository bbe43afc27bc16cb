"""Running the server: on this machine only, in the foreground or beside a test."""

from __future__ import annotations

import ipaddress
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from time import sleep

import uvicorn
from starlette.types import ASGIApp

from adapter.sandbox.app import BASE_PATH, Settings, create_app
from adapter.sandbox.faults import Faults
from adapter.sandbox.faulty import Connections, Faulty
from adapter.sandbox.forward import forward_to
from adapter.sandbox.negotiation import Limits
from adapter.sandbox.store import Store


class CannotServe(Exception):
    """The server cannot start at this address; the message says why and what would be right."""


def serve(
    store: Store,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    settings: Settings = Settings(),  # noqa: B008 (immutable)
    faults: Faults | None = None,
    ready: Callable[[str], None],
) -> None:
    """Serve ``store`` until the process is told to stop; ``ready`` is called with the base URL first.

    Port 0 takes any free one; with ``faults`` some requests go wrong. Raises :class:`CannotServe` for an address
    that is not loopback or a port in use, and ``KeyboardInterrupt`` after a clean stop by Ctrl-C.
    """
    with closing(_bind(host, port)) as bound:
        ready(_url(host, bound) + BASE_PATH)
        _server(create_app(store, settings), faults, settings.limits).run(sockets=[bound])


@contextmanager
def running(
    store: Store,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    settings: Settings = Settings(),  # noqa: B008 (immutable)
    faults: Faults | None = None,
) -> Iterator[str]:
    """A server in a thread of this process, as a context: its base URL, such as ``http://127.0.0.1:8080/fhir``.

    It is up when the block begins and down when it ends; the store stays open. Raises :class:`CannotServe`.
    """
    app = create_app(store, settings)
    with _in_a_thread(app, host, port, faults, settings.limits) as url:
        yield url + BASE_PATH


@contextmanager
def in_front_of(origin: str, faults: Faults | None, *, limits: Limits = Limits()) -> Iterator[str]:  # noqa: B008
    """Another server, at ``origin`` (``http://127.0.0.1:9000``), with ``faults``: the origin to use instead."""
    with _in_a_thread(forward_to(origin), "127.0.0.1", 0, faults, limits) as url:
        yield url


@contextmanager
def _in_a_thread(app: ASGIApp, host: str, port: int, faults: Faults | None, limits: Limits) -> Iterator[str]:
    with closing(_bind(host, port)) as bound:
        server = _server(app, faults, limits)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]}, name="sandbox", daemon=True)
        thread.start()
        while not server.started:
            if not thread.is_alive():
                raise CannotServe("the server stopped while it was starting")
            sleep(0.005)
        try:
            yield _url(host, bound)
        finally:
            server.should_exit = True
            thread.join()


def _bind(host: str, port: int) -> socket.socket:
    """A listening socket; refuses every address that other machines could reach."""
    try:
        address = ipaddress.ip_address("127.0.0.1" if host == "localhost" else host)
    except ValueError:
        raise CannotServe(f"{host} is not an address; use 127.0.0.1, ::1 or localhost") from None
    if not address.is_loopback:
        raise CannotServe(f"{host} can be reached from other machines; the sandbox serves 127.0.0.1 or ::1 only")
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


def _server(app: ASGIApp, faults: Faults | None, limits: Limits) -> uvicorn.Server:
    connections = Connections() if faults else None
    return uvicorn.Server(
        uvicorn.Config(
            Faulty(app, faults, connections, limits) if faults and connections else app,
            http=connections.protocol() if connections else "auto",
            # A rehearsed silence must not hold up the end.
            timeout_graceful_shutdown=1 if faults else None,
            # No access log and no tracebacks of its own: paths and messages may hold patient data.
            log_level="critical",
            access_log=False,
            log_config=None,
        )
    )


def _url(host: str, bound: socket.socket) -> str:
    port = bound.getsockname()[1]
    return f"http://{f'[{host}]' if ':' in host else host}:{port}"
