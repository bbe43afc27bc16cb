"""A second FHIR server that nobody here wrote: HAPI FHIR JPA 8.8.0 (Maven Central, Apache-2.0), R4, H2 in memory.

It needs Java 17 and Maven; its 350 archives (390 MB) are fetched once into ``.cache/``, and it takes a minute to
start. So the tests use it only where they are told to::

    TEST_SERVERS=hapi pytest tests/outbox/test_sender.py tests/send/test_two_servers.py
"""

from __future__ import annotations

import shutil
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

HERE = Path(__file__).resolve().parent
CACHE = HERE.parents[1] / ".cache" / "hapi-jpa-8.8.0"


def prepared() -> Path:
    """The folder of archives and the compiled server. Raises RuntimeError where something is missing."""
    done = CACHE / "complete"
    if not done.exists():
        CACHE.mkdir(parents=True, exist_ok=True)
        copy = ["dependency:copy-dependencies", f"-DoutputDirectory={CACHE / 'lib'}"]
        _run([_program("mvn"), "-B", "-q", "-f", str(HERE / "hapi" / "pom.xml"), *copy])
        _run([_program("javac"), "-cp", f"{CACHE}/lib/*", "-d", str(CACHE), str(HERE / "hapi" / "FhirServer.java")])
        done.touch()
    return CACHE


@contextmanager
def serving(folder: Path) -> Iterator[str]:
    """The server in a process of its own: its base URL."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    classes = prepared()
    command = [_program("java"), "-Xmx2g", "-cp", f"{classes}/lib/*:{classes}", "FhirServer", str(port)]
    log = folder / "log"
    with (
        log.open("w") as errors,
        subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=errors, text=True) as process,
    ):
        assert process.stdout is not None
        try:
            if not any(line.startswith("ready") for line in process.stdout):
                raise RuntimeError(f"the server did not start; it said:\n{log.read_text()[-3000:]}")
            drain = subprocess.Popen(["cat"], stdin=process.stdout, stdout=subprocess.DEVNULL)
            yield f"http://127.0.0.1:{port}/fhir"
        finally:
            process.kill()
        drain.wait()


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        raise RuntimeError(f"the HAPI FHIR server needs {name} (Java 17 and Maven)")
    return found


def _run(command: list[str]) -> None:
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    if result.returncode:
        raise RuntimeError(f"{command[0]} failed:\n{result.stdout[-2000:]}{result.stderr[-2000:]}")
