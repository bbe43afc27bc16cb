"""Running the server: on this machine only, in the foreground or beside a test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager

import uvicorn
from starlette.types import ASGIApp

from adapter.loopback import CannotServe, bind, in_a_thread, quiet_server, run_in_front, url_of
from adapter.sandbox.app import BASE_PATH, SandboxSettings, create_app
from adapter.sandbox.faults import Faults
from adapter.sandbox.faulty import Connections, Faulty
from adapter.sandbox.forward import forward_to
from adapter.sandbox.negotiation import BodyLimits
from adapter.sandbox.store import Store

__all__ = ["CannotServe", "in_front_of", "running", "serve"]


def serve(
    store: Store,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    settings: SandboxSettings = SandboxSettings(),  # noqa: B008 (immutable)
    faults: Faults | None = None,
    ready: Callable[[str], None],
) -> None:
    """Serve ``store`` until the process is told to stop; ``ready`` is called with the base URL first.

    Port 0 takes any free one; with ``faults`` some requests go wrong. Raises :class:`CannotServe` for an address
    that is not loopback or a port in use, and ``KeyboardInterrupt`` after a clean stop by Ctrl-C or SIGTERM.
    """
    with closing(bind(host, port)) as bound:
        ready(url_of(host, bound) + BASE_PATH)
        run_in_front(_server(create_app(store, settings), faults, settings.limits), bound)


@contextmanager
def running(
    store: Store,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    settings: SandboxSettings = SandboxSettings(),  # noqa: B008 (immutable)
    faults: Faults | None = None,
) -> Iterator[str]:
    """A server in a thread of this process, as a context: its base URL, such as ``http://127.0.0.1:8080/fhir``.

    It is up when the block begins and down when it ends; the store stays open. Raises :class:`CannotServe`.
    """
    app = create_app(store, settings)
    with _in_a_thread(app, host, port, faults, settings.limits) as url:
        yield url + BASE_PATH


@contextmanager
def in_front_of(origin: str, faults: Faults | None, *, limits: BodyLimits = BodyLimits()) -> Iterator[str]:  # noqa: B008
    """Another server, at ``origin`` (``http://127.0.0.1:9000``), with ``faults``: the origin to use instead."""
    with _in_a_thread(forward_to(origin), "127.0.0.1", 0, faults, limits) as url:
        yield url


@contextmanager
def _in_a_thread(app: ASGIApp, host: str, port: int, faults: Faults | None, limits: BodyLimits) -> Iterator[str]:
    with closing(bind(host, port)) as bound, in_a_thread(_server(app, faults, limits), bound, "sandbox"):
        yield url_of(host, bound)


def _server(app: ASGIApp, faults: Faults | None, limits: BodyLimits) -> uvicorn.Server:
    if faults is None:
        return quiet_server(app)
    connections = Connections()
    return quiet_server(
        Faulty(app, faults, connections, limits),
        http=connections.protocol(),
        # A rehearsed silence must not hold up the end.
        timeout_graceful_shutdown=1,
    )
