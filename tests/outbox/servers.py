"""Processes for tests: the sandbox as its command starts it, and a proxy that fails on request."""

from __future__ import annotations

import json
import re
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]


@contextmanager
def sandbox(folder: Path, *options: str) -> Iterator[str]:
    """``newborn-adapter sandbox`` on a free port, with its resources in ``folder``: its base URL."""
    arguments = ["sandbox", "--port", "0", "--db", str(folder / "sandbox.db"), *options]
    start = f"import sys; sys.argv[1:] = {arguments!r}; from adapter.cli import main; main()"
    with _process([sys.executable, "-u", "-c", start]) as output:
        for line in output:
            if found := re.search(r"http://\S+/fhir", line):
                yield found[0]
                return
    raise RuntimeError("the sandbox did not start")


class Proxy:
    """A proxy process before a server; ``url`` takes the place of the server's address."""

    def __init__(self, port: int, control: int) -> None:
        self.url = f"http://127.0.0.1:{port}/fhir"
        self._control = control

    def set(self, upstream: str, fault: str = "", seed: int = 0) -> dict[str, Any]:
        """From now on send on to ``upstream``, and fail in this way; the counts of what went before."""
        with socket.create_connection(("127.0.0.1", self._control), 10) as connection:
            order = {"upstream": upstream, "fault": fault, "seed": seed}
            connection.sendall(json.dumps(order).encode() + b"\n")
            answer: dict[str, Any] = json.loads(connection.makefile().readline())
            return answer


@contextmanager
def faulty_proxy() -> Iterator[Proxy]:
    with _process([sys.executable, "-u", str(HERE / "faulty_proxy.py")]) as output:
        ports = json.loads(next(output))
        yield Proxy(ports["port"], ports["control"])


@contextmanager
def _process(command: list[str]) -> Iterator[Iterator[str]]:
    """A process and the lines it prints; ended with the block."""
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    ) as process:
        assert process.stdout is not None
        try:
            yield iter(process.stdout.readline, "")
        finally:
            process.kill()
