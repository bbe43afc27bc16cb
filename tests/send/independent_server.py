"""A FHIR R4 server that nobody here wrote: sekmet-fhir 0.1.1 (PyPI, Apache-2.0), in an environment of its own.

It is installed once into ``.cache/`` and serves loopback with an empty database in a temporary folder. What our own
environment has already of what it needs is read from there: installing all of it anew takes four times as long.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import sysconfig
import time
import venv
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import httpx

from tests.fetched import CACHE, fetching

REQUIREMENT = "sekmet-fhir==0.1.1"
ENVIRONMENT = CACHE / "sekmet-0.1.1"


def command() -> Path:
    """The server's command; installs it at the first call. Raises RuntimeError when that fails."""
    done = ENVIRONMENT / "installed"
    with fetching(ENVIRONMENT):
        if done.exists():
            return ENVIRONMENT / "bin" / "sekmet"
        venv.create(ENVIRONMENT, clear=True)
        python = ENVIRONMENT / "bin" / "python"
        (packages,) = ENVIRONMENT.glob("lib/*/site-packages")
        (packages / "ours.pth").write_text(sysconfig.get_path("purelib"))
        pip = [
            sys.executable,
            "-m",
            "pip",
            "--python",
            str(python),
            "install",
            "--quiet",
            "--no-compile",
            REQUIREMENT,
        ]
        result = subprocess.run([*pip, REQUIREMENT], capture_output=True, text=True, check=False)
        if result.returncode:
            raise RuntimeError(
                f"These tests send to {REQUIREMENT} and could not install it; they need access to a package "
                f"registry. pip said:\n{result.stderr}"
            )
        done.touch()
    return ENVIRONMENT / "bin" / "sekmet"


def serving(folder: Path) -> AbstractContextManager[str]:
    """The server in a process of its own, working in ``folder``: its base URL."""

    def arguments(port: int) -> list[str]:
        return [str(command()), "serve", "--host", "127.0.0.1", "--port", str(port)]

    return process_serving(arguments, folder, lambda base: {"SEKMET_BASE_URL": base})


@contextmanager
def process_serving(
    arguments: Callable[[int], list[str]],
    folder: Path,
    environment: Callable[[str], dict[str, str]] = lambda base: {},
    path: str = "/fhir",
) -> Iterator[str]:
    """Any FHIR server in a process of its own, once it answers: its base URL, ending so. It gets a free port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    base = f"http://127.0.0.1:{port}{path}"
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            arguments(port),
            cwd=folder,
            env={**os.environ, **environment(base)},
            stdout=log,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
    try:
        _wait(process, f"{base}/metadata", folder / "log")
        yield base
    finally:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait(process: subprocess.Popen[bytes], url: str, log: Path) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline and process.poll() is None:
        try:
            if httpx.get(url, trust_env=False, verify=False).status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    raise RuntimeError(f"the server did not start; it said:\n{log.read_text()}")
