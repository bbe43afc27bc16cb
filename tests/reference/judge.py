"""Runs the reference judge: the standard's own validation engine (``Judge.java``) over resources.

Java 17 and Maven are needed; the engine and the R4 definitions come from Maven Central once, into ``.cache/``.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
ENGINE = HERE.parents[1] / ".cache" / "validation-engine"


@dataclass(frozen=True, slots=True)
class Message:
    """What the judge said: number of the resource, severity, place, the engine's message id, text."""

    number: int
    severity: str
    place: str
    id: str
    text: str

    @property
    def is_error(self) -> bool:
        """Whether it makes the resource invalid."""
        return self.severity in ("ERROR", "FATAL")


def missing() -> list[str]:
    """The programs that the judge needs and this machine has not."""
    return [program for program in ("java", "mvn") if shutil.which(program) is None]


def judge(resources: Sequence[bytes], definitions: Sequence[Path] = ()) -> list[Message]:
    """The messages on resources, each JSON on one line; RuntimeError when the engine cannot be had or fails."""
    _fetch()
    java = ["java", "-Xmx2g", "-XX:+UseSerialGC", "-cp", f"{ENGINE}/*", str(HERE / "Judge.java")]
    command = [*java, *map(str, definitions)]
    done = subprocess.run(command, input=b"\n".join(resources) + b"\n", capture_output=True, check=False)
    *lines, last = done.stdout.decode().splitlines() or [""]
    if done.returncode or last != f"judged\t{len(resources)}":
        raise RuntimeError(f"the judge gave up:\n{done.stderr.decode()[-2000:]}")
    messages = []
    for line in lines:
        number, severity, place, identifier, text = line.split("\t", 4)
        messages.append(Message(int(number), severity, place, identifier, text))
    return messages


def _fetch() -> None:
    if (ENGINE / "complete").exists():
        return
    ENGINE.mkdir(parents=True, exist_ok=True)
    copy = ["mvn", "-q", "-B", "-f", str(HERE / "pom.xml"), "dependency:copy-dependencies"]
    command = [*copy, f"-DoutputDirectory={ENGINE}"]
    done = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"the judge could not be fetched from Maven Central:\n{done.stdout[-2000:]}")
    (ENGINE / "complete").touch()
