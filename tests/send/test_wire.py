"""Bytes that are meant to hold a sender up or to mislead it: RFC 9110 (1xx, Content-Encoding), RFC 9112 (kept
connections), RFC 1952 (gzip).

What trickles ends by itself after some seconds, in a whole and right answer: whoever waits for it has failed.
"""

from __future__ import annotations

import gzip
import json
import os
import socket
import ssl
import threading
import time
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import certifi
import httpx
import pytest

from adapter.send import FhirClient, Timeouts, Unreachable
from adapter.send.rest.auth.oauth import TokenClient
from adapter.send.rest.auth.settings import AuthSettings

STATEMENT = json.dumps({"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"}).encode()
QUICK = Timeouts(connect=5, read=5, whole=0.3)
Say = Callable[[socket.socket], None]


def head(body: bytes = STATEMENT, *more: str) -> bytes:
    lines = ["HTTP/1.1 200 OK", "Content-Type: application/fhir+json", f"Content-Length: {len(body)}", *more]
    return "\r\n".join([*lines, "", ""]).encode()


@contextmanager
def saying(say: Say) -> Iterator[str]:
    """A server that reads one request a time and says this, on a connection that it keeps; its address."""
    listening = socket.create_server(("127.0.0.1", 0))

    def serve(connected: socket.socket) -> None:
        with connected:
            try:
                while connected.recv(65536):
                    say(connected)
            except OSError:
                pass

    def accept() -> None:
        while True:
            try:
                connected, _ = listening.accept()
            except OSError:
                return
            threading.Thread(target=serve, args=(connected,), daemon=True).start()

    thread = threading.Thread(target=accept, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{listening.getsockname()[1]}/fhir"
    finally:
        listening.shutdown(socket.SHUT_RDWR)
        listening.close()
        thread.join()


def trickled(content: bytes) -> Say:
    """In pieces, over some two seconds."""

    def say(to: socket.socket) -> None:
        size = max(1, len(content) // 40)
        for start in range(0, len(content), size):
            to.sendall(content[start : start + size])
            time.sleep(0.05)

    return say


TRICKLED = {
    "head": trickled(head() + STATEMENT),
    "body": trickled(STATEMENT),
    "many that announce": trickled(b"HTTP/1.1 103 Early Hints\r\n\r\n" * 40 + head() + STATEMENT),
}


@pytest.mark.parametrize("say", TRICKLED.values(), ids=TRICKLED)
def test_what_trickles_is_cut_off_at_the_deadline(say: Say) -> None:
    def whole(to: socket.socket) -> None:
        if say is TRICKLED["body"]:
            to.sendall(head())
        say(to)

    with saying(whole) as url, FhirClient(url, timeout=QUICK) as client, pytest.raises(Unreachable):
        client.capabilities()


@pytest.mark.parametrize("say", TRICKLED.values(), ids=TRICKLED)
def test_so_is_a_token_endpoint_that_trickles(say: Say, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("A_SECRET", "invented-secret")
    with saying(lambda to: (to.sendall(head()) if say is TRICKLED["body"] else None, say(to))[-1]) as url:
        settings = AuthSettings(
            kind="client-credentials",  # type: ignore[arg-type]
            client_id="x",
            client_secret_env="A_SECRET",
            token_url=f"{url}/token",
        )
        with pytest.raises(Unreachable) as caught:
            TokenClient(settings, url, QUICK, None, None, False).fetch()
    assert caught.value.cause == "token"


def once(content: bytes) -> Say:
    return lambda to: to.sendall(content)


BOMB = gzip.compress(b" " * 300_000_000, 1)
NOT_ONE_CODING = {
    "twice": (gzip.compress(gzip.compress(STATEMENT)), "Content-Encoding: gzip, gzip"),
    "in two lines": (gzip.compress(gzip.compress(STATEMENT)), "Content-Encoding: gzip\r\nContent-Encoding: gzip"),
    "not asked for": (zlib.compress(STATEMENT), "Content-Encoding: deflate"),
    "cut off": (gzip.compress(STATEMENT)[:-4], "Content-Encoding: gzip"),
    "two contents": (gzip.compress(STATEMENT) * 2, "Content-Encoding: gzip"),
    "without end": (BOMB, "Content-Encoding: gzip"),
}


@pytest.mark.parametrize(("body", "coding"), NOT_ONE_CODING.values(), ids=NOT_ONE_CODING)
def test_one_coding_within_bounds(body: bytes, coding: str) -> None:
    with saying(once(head(body, coding) + body)) as url, FhirClient(url) as client, pytest.raises(Unreachable):
        client.capabilities()


@pytest.mark.parametrize("coding", ["gzip", "GZIP", "x-gzip", "identity", ""])
def test_a_coding_that_was_asked_for(coding: str) -> None:
    body = gzip.compress(STATEMENT) if "gzip" in coding.lower() else STATEMENT
    with saying(once(head(body, f"Content-Encoding: {coding}") + body)) as url, FhirClient(url) as client:
        assert client.capabilities()["fhirVersion"] == "4.0.1"


@pytest.mark.parametrize("pause", [0.0, 0.05])
def test_a_doubled_answer_is_nobody_elses(pause: float) -> None:
    """The second copy comes with the first, or a little later, when the next request is on its way already."""
    count = iter(range(100))

    def doubled(to: socket.socket) -> None:
        body = json.dumps({"resourceType": "Patient", "id": str(next(count))}).encode()
        to.sendall(head(body) + body)
        time.sleep(pause)
        to.sendall(head(body) + body)

    with saying(doubled) as url, FhirClient(url) as client:
        assert [client.read("Patient", "1")["id"] for _ in range(5)] == ["0", "1", "2", "3", "4"]


def test_whom_to_trust_is_read_once_for_all_clients_and_anew_where_it_is_elsewhere(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A command opens several, and reading the authorities takes longer than what most of them ask."""
    read: list[str] = []
    made = httpx.create_ssl_context

    def counted() -> ssl.SSLContext:
        read.append(os.environ["SSL_CERT_FILE"])
        return made()

    monkeypatch.setattr(httpx, "create_ssl_context", counted)
    for name in ("one", "one", "other"):
        path = tmp_path / name
        path.write_bytes(Path(certifi.where()).read_bytes())
        monkeypatch.setenv("SSL_CERT_FILE", str(path))
        FhirClient("https://hospital.invalid/fhir").close()
    assert read == [str(tmp_path / "one"), str(tmp_path / "other")]
