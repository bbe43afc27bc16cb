"""What the tests of the drop folder share: a watch in a process of its own, and a look at what a server holds."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.read import read
from adapter.read.bundle import from_bundle
from adapter.send import FhirClient, fetch_exam
from adapter.send.rest.transaction import transaction_of

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
COMMAND = [sys.executable, "-c", "from adapter.cli import main; main()", "watch"]


def read_exams(*paths: Path, catalogue: Catalogue) -> list[Exam]:
    """The exams of capture files that are well."""
    found = [reading.exam for path in paths for reading in read(path, catalogue)]
    return [exam for exam in found if exam is not None]


def eventually(what: Callable[[], bool], seconds: float = 60) -> None:
    """Wait until something holds; a test that waits in vain fails."""
    end = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < end, "it did not come to pass"
        time.sleep(0.02)


def names(folder: Path) -> set[str]:
    """The files in a folder, without reports and what the watch keeps for itself."""
    found = {p.name for p in folder.iterdir() if p.is_file()}
    return {
        name
        for name in found
        if not name.endswith((".report.txt", ".report.json")) and not name.endswith((".starts", "-lock"))
    }


@dataclass(slots=True)
class Watching:
    """A running watch; ``log`` is what it said, line by line."""

    process: subprocess.Popen[str]
    log: list[str] = field(default_factory=list)

    def events(self) -> list[dict[str, Any]]:
        """The log, every line of which must be one JSON object."""
        return [json.loads(line) for line in list(self.log)]

    def said(self, event: str) -> bool:
        """Whether an event was logged."""
        return any(one["event"] == event for one in self.events())


@contextmanager
def watching(drop: Path, url: str, outbox: Path, *more: str) -> Iterator[Watching]:
    """A watch process, killed at the end if it still runs; it has begun when the block does."""
    arguments = [str(drop), "--to", url, "--outbox", str(outbox), "--every", "0.05", "--settle", "0.1", *more]
    with subprocess.Popen(
        [*COMMAND, *arguments], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        made = Watching(process)
        assert process.stdout is not None
        reader = Thread(target=lambda out: made.log.extend(iter(out.readline, "")), args=(process.stdout,))
        reader.start()
        try:
            eventually(lambda: made.said("started") or process.poll() is not None)
            assert process.poll() is None, made.log
            yield made
        finally:
            process.kill()
            reader.join()


def assert_exactly_once(url: str, exams: Iterable[Exam], catalogue: Catalogue) -> None:
    """Each Observation of each exam is on the server once, none besides, and each exam reads back as captured."""
    exams = list(exams)
    system = catalogue.identifier_system("observation")
    with FhirClient(url) as client:
        held = Counter(
            identifier["value"]
            for resource in client.search("Observation", {"_count": "1000"})
            for identifier in resource["identifier"]
            if identifier["system"] == system
        )
        assert set(held.values()) <= {1}, "doubled"
        meant = {
            name.partition(" ")[2]
            for exam in exams
            for name in transaction_of(exam, catalogue).names
            if name.startswith("Observation ")
        }
        assert set(held) == meant
        for exam in exams:
            bundle = fetch_exam(client, catalogue, exam.details.root)
            assert bundle is not None
            [back] = from_bundle(bundle, catalogue)
            assert _unordered(back) == _unordered(exam)
        for type_ in ("Patient", "Encounter", "Device", "Practitioner"):
            found = [json.dumps(r["identifier"], sort_keys=True) for r in client.search(type_, {"_count": "1000"})]
            assert len(found) == len(set(found)), f"{type_} doubled"


def _unordered(exam: Exam) -> tuple[Any, ...]:
    """An exam without the order of its findings, which a server does not keep."""
    return exam.details, exam.newborn, sorted(map(repr, exam.findings))
