"""Servers to send to: the sandbox, and servers that misbehave; all on real sockets."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from adapter.sandbox import Store, running

Answer = tuple[int, dict[str, str], bytes]
Misbehaving = Callable[[Callable[[str, str], Answer]], AbstractContextManager[str]]


@pytest.fixture
def base() -> Iterator[str]:
    with Store() as store, running(store) as url:
        yield url


@pytest.fixture
def misbehaving() -> Misbehaving:
    """A server that answers what a function of method and path says; Content-Length is only set if given."""
    return _serving


@contextmanager
def _serving(answer: Callable[[str, str], Answer]) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.rfile.read(int(self.headers.get("content-length", 0)))
            status, headers, body = answer(self.command, self.path)
            self.send_response(status)
            for name, value in headers.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(body)

        do_POST = do_GET

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/fhir"
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
