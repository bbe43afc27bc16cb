"""``python -m tests.bench.sending``: a thousand exams of 60 Observations to the sandbox, through the outbox.

The server's own limit is measured in the same run: the same bundles posted by a bare loop (httpx and nothing else,
as many at a time), which neither remembers nor looks anything up. Prints exams a second of both, their ratio, and
the memory of the sending process as it goes. It asserts nothing.
"""

from __future__ import annotations

import argparse
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import httpx

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.every_use import every_exam
from adapter.exam import Exam, Identifier
from adapter.send import FhirClient, FhirTransport, Outbox, Sender, message_of

OBSERVATIONS = 60


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--exams", type=int, default=1000)
    parser.add_argument("--parallel", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=20, help="parts of the exams, sent and posted in turn")
    wanted = parser.parse_args()
    catalogue = load_catalogue()
    each = wanted.exams // wanted.rounds
    pairs = []
    sent = 0
    with (
        tempfile.TemporaryDirectory() as folder,
        sandbox() as ours,
        sandbox() as theirs,
        Outbox(Path(folder) / "outbox.db") as outbox,
        FhirClient(ours) as client,
    ):
        for number in range(wanted.rounds):
            numbers = range(number * each, (number + 1) * each)
            bare = loop(theirs, numbers, catalogue, wanted.parallel)
            through = outboxed(outbox, client, numbers, catalogue, wanted.parallel)
            sent += each
            pairs.append((each / through, each / bare))
            rates = f"outbox {each / through:6.1f}, bare loop {each / bare:6.1f} exams a second"
            print(f"{sent:6} exams: {rates}, {bare / through:5.0%}; memory {resident():4.0f} MB", flush=True)
    ratio = statistics.median(one / other for one, other in pairs)
    print(f"{sent * OBSERVATIONS} Observations; the outbox reaches {ratio:.0%} of the server's own limit (median)")


def exams_of(numbers: range, catalogue: Catalogue) -> Iterator[Exam]:
    """Exams of as many Observations as wanted, panels not counted; invented."""
    model = next(exam for exam in every_exam(catalogue) if len(exam.findings) > 100)
    for number in numbers:
        newborn = model.newborn.model_copy(
            update={"identifiers": (Identifier(system="urn:oid:2.999.1", value=f"bench-{number}"),), "mother": None}
        )
        details = model.details.model_copy(update={"id": f"bench-{number}"})
        yield Exam(exam=details, newborn=newborn, findings=model.findings[:OBSERVATIONS])


def loop(url: str, numbers: range, catalogue: Catalogue, parallel: int) -> float:
    """Seconds to post the bundles one after the other and look at nothing but the status."""
    payloads = [message_of(exam, catalogue).payload for exam in exams_of(numbers, catalogue)]
    headers = {"Content-Type": "application/fhir+json", "Prefer": "return=minimal"}
    with httpx.Client(timeout=60, headers=headers) as http, ThreadPoolExecutor(parallel) as pool:
        http.get(f"{url}/metadata")
        started = time.perf_counter()
        statuses = {response.status_code for response in pool.map(lambda p: http.post(url, content=p), payloads)}
        took = time.perf_counter() - started
    if statuses != {200}:
        raise SystemExit(f"the bare loop was answered {statuses}")
    return took


def outboxed(outbox: Outbox, client: FhirClient, numbers: range, catalogue: Catalogue, parallel: int) -> float:
    """Seconds to send the same bundles from the outbox, in which they are already."""
    for exam in exams_of(numbers, catalogue):
        outbox.put(client.base_url, message_of(exam, catalogue))
    started = time.perf_counter()
    summary = Sender(outbox, FhirTransport(client), parallel=parallel).run()
    took = time.perf_counter() - started
    if summary.sent != len(numbers):
        raise SystemExit(f"not all was sent: {summary}")
    return took


@contextmanager
def sandbox() -> Iterator[str]:
    """The sandbox in a process of its own, its resources in memory."""
    start = "import sys; sys.argv[1:] = ['sandbox', '--port', '0']; from adapter.cli import main; main()"
    with subprocess.Popen(
        [sys.executable, "-u", "-c", start], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        assert process.stdout is not None
        try:
            yield next(found[0] for line in process.stdout if (found := re.search(r"http://\S+/fhir", line)))
        finally:
            process.kill()


def resident() -> float:
    """Megabytes of memory that this process holds now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


if __name__ == "__main__":
    main()
