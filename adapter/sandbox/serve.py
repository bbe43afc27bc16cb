"""Running the server: on this machine only, in the foreground or beside a test."""

from __future__ import annotations

import ipaddress
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from time import sleep

import uvicorn
from starlette.applications import Starlette

from adapter.sandbox.app import BASE_PATH, create_app
from adapter.sandbox.store import Store


class CannotServe(Exception):
    """The server cannot start at this address; the message says why and what would be right."""


def serve(store: Store, host: str = "127.0.0.1", port: int = 0, *, ready: Callable[[str], None]) -> None:
    """Serve ``store`` until the process is told to stop; ``ready`` is called with the base URL first.

    Port 0 takes any free one. Raises :class:`CannotServe` for an address that is not loopback or a port in
    use, and ``KeyboardInterrupt`` after a clean stop by Ctrl-C.
    """
    with closing(_bind(host, port)) as bound:
        ready(_url(host, bound))
        _server(create_app(store)).run(sockets=[bound])


@contextmanager
def running(store: Store, host: str = "127.0.0.1", port: int = 0) -> Iterator[str]:
    """A server in a thread of this process, as a context: its base URL, such as ``http://127.0.0.1:8080/fhir``.

    It is up when the block begins and down when it ends; the store stays open. Raises :class:`CannotServe`.
    """
    with closing(_bind(host, port)) as bound:
        server = _server(create_app(store))
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


def _server(app: Starlette) -> uvicorn.Server:
    # No access log and no tracebacks of its own: paths and messages may hold patient data.
    return uvicorn.Server(
        uvicorn.Config(app, log_level="critical", access_log=False, lifespan="off", log_config=None)
    )


def _url(host: str, bound: socket.socket) -> str:
    port = bound.getsockname()[1]
    return f"http://{f'[{host}]' if ':' in host else host}:{port}{BASE_PATH}"
