"""The fault table: what becomes of exams when everything that can go wrong does.

    python tests/outbox/fault_table.py --runs 50

For each kind of fault and each server (the sandbox, and sekmet-fhir, which nobody here wrote), seeded runs: two
newborns, one of them with an amendment that changes one finding and drops another; a real sender process per
attempt, killed with SIGKILL at random moments where the kind says so; at last a sender without any fault. Then
the server is asked, past the code that sends: each Observation that should be there is there exactly once with
the right content, or its exam is among the dead letters with a reason.

``lost``: not there and not explained; ``doubled``: there more than once; ``wrong``: there with another content,
or a vanished finding that is not marked as entered in error; ``dead-lettered``: exams given up with a reason.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "send"), str(HERE.parents[1])]

from faulty_proxy import PROXY_FAULTS  # noqa: E402
from hapi_server import serving as hapi  # noqa: E402
from independent_server import serving as sekmet  # noqa: E402
from on_server import observations  # noqa: E402
from sent_exams import amended, exam  # noqa: E402
from servers import Proxy, faulty_proxy, sandbox  # noqa: E402

from adapter.catalogue import Catalogue, load_catalogue  # noqa: E402
from adapter.fhir.json import loads  # noqa: E402
from adapter.send import (  # noqa: E402
    FhirClient,
    FhirTransport,
    Message,
    Outbox,
    OutboxError,
    Retry,
    Sender,
    State,
    Timeouts,
    message_of,
)

# Faults of our own side, in the order of the table; each with or without a fault of the way.
OURS = [
    "killed at a random moment",
    "killed while answers are lost",
    "killed while the server is away",
    "killed while queueing",
    "two senders at once",
    "two senders, one killed",
    "disk full",
    "power lost: last writes undone",
]
KINDS = [*PROXY_FAULTS, *OURS]
_WITH = {
    "killed while answers are lost": "answer lost after the commit",
    "killed while the server is away": "server away",
    "two senders at once": "answer lost after the commit",
    "killed at a random moment": "latency",
    "two senders, one killed": "latency",
    "power lost: last writes undone": "latency",
}
RETRY = Retry(tries=8, first=0.02, longest=0.2, patience=3)
TIMES = Timeouts(connect=2, read=1.2, whole=5)


@dataclass
class Count:
    """What was found after the runs of one kind."""

    runs: int = 0
    hits: int = 0
    lost: int = 0
    doubled: int = 0
    wrong: int = 0
    dead: int = 0
    remarks: list[str] = field(default_factory=list)

    def add(self, other: Count) -> None:
        for one in fields(self):
            setattr(self, one.name, getattr(self, one.name) + getattr(other, one.name))


@dataclass
class Run:
    """One run: the fault, its seed, where to send by which way, and where the outbox is."""

    kind: str
    seed: int
    server: str
    proxy: Proxy
    folder: Path
    catalogue: Catalogue

    def __post_init__(self) -> None:
        self.chance = random.Random(f"{self.kind}/{self.seed}/run")
        key = f"{KINDS.index(self.kind)}-{self.seed}-{os.getpid()}-{time.time_ns() % 10**9}"
        first = exam(f"{key}-a")
        self.exams = [first, exam(f"{key}-b", crying=True), amended(first)]
        self.messages = [message_of(one, self.catalogue) for one in self.exams]
        self.path = self.folder / "outbox.db"

    @property
    def target(self) -> str:
        return self.proxy.url

    def go(self) -> Count:
        self.proxy.set(self.server, _WITH.get(self.kind, self.kind if self.kind in PROXY_FAULTS else ""), self.seed)
        _DRIVERS.get(self.kind, _sent_through)(self)
        count = Count(runs=1, hits=int(self.proxy.set(self.server)["hits"]) or self.kind in OURS)
        _child(self._send, self)
        count.add(self._judge())
        return count

    def queue(self) -> None:
        with Outbox(self.path) as outbox:
            for message in self.messages:
                outbox.put(self.target, message)

    def _send(self, run: Run) -> None:
        with Outbox(self.path) as outbox, FhirClient(self.target, timeout=TIMES) as client:
            Sender(outbox, FhirTransport(client), retry=RETRY, parallel=2).run()

    def send(self) -> int:
        """A sender in a process of its own; its process id."""
        return _fork(self._send, self)

    def _judge(self) -> Count:
        """Ask the server itself, past the proxy."""
        count = Count()
        with Outbox(self.path) as outbox:
            rows = {row.exam: row for row in outbox.rows()}
        for one in self.exams:
            row = rows.get(one.details.id)
            if row is not None and row.state is State.DEAD:
                count.dead += 1
                if not row.reasons:
                    count.remarks.append(f"{one.details.id} was given up without a reason")
                    count.lost += 1
            elif row is None or row.state not in (State.SENT, State.SUPERSEDED):
                count.lost += 1
                count.remarks.append(f"{one.details.id} is {row.state if row else 'not in the outbox'}")
        sent = [m for m in self.messages if (r := rows.get(m.exam)) and r.state is State.SENT]
        # Where the record of its arrival was lost with the power, a newer version may be found to have overtaken it.
        overtaken = [m for m in self.messages if (r := rows.get(m.exam)) and r.state is State.SUPERSEDED]
        for message in overtaken:
            if not any(newer.root == message.root and newer.precedence.over(message.precedence) for newer in sent):
                count.lost += 1
                count.remarks.append(f"{message.exam} is superseded by nothing")
        with FhirClient(self.server) as client:
            for root in {message.root for message in sent}:
                versions = [message for message in sent if message.root == root]
                self._compare(client, versions, [m for m in overtaken if m.root == root], count)
        return count

    def _compare(self, client: FhirClient, versions: list[Message], overtaken: list[Message], count: Count) -> None:
        newest = loads(versions[-1].payload)
        meant = {v: r for r in _resources(newest) for v in [r["identifier"][0]["value"]]}
        vanished = _values(versions) - meant.keys()
        perhaps = _values(overtaken) - meant.keys() - vanished
        whose = next(one for one in self.exams if one.details.root == versions[0].root)
        found = observations(client, whose)
        for value in [*meant, *vanished, *perhaps]:
            same = found.get(value, [])
            count.lost += not same and value not in perhaps
            count.doubled += len(same) > 1
            if same:
                marked = same[0]["status"] == "entered-in-error"
                right = _same(meant[value], same[0]) if value in meant else marked
                count.wrong += not right
                if not right:
                    count.remarks.append(f"{value} is wrong")
        for value in found.keys() - meant.keys() - vanished - perhaps:
            count.wrong += 1
            count.remarks.append(f"{value} should not be there")


def _values(messages: list[Message]) -> set[str]:
    return {r["identifier"][0]["value"] for message in messages for r in _resources(loads(message.payload))}


def _resources(bundle: dict[str, Any]) -> list[dict[str, Any]]:
    return [entry["resource"] for entry in bundle["entry"] if entry["resource"]["resourceType"] == "Observation"]


def _same(meant: dict[str, Any], found: dict[str, Any]) -> bool:
    """Status, question, answer, time and details, as JSON; numbers by value."""
    keys = (
        "status",
        "code",
        "valueQuantity",
        "valueCodeableConcept",
        "dataAbsentReason",
        "effectiveDateTime",
        "note",
    )
    return all(
        meant.get(key) == found.get(key) for key in (*keys, "component", "interpretation", "bodySite")
    ) and len(meant.get("hasMember", [])) == len(found.get("hasMember", []))


def _fork(work: Callable[[Run], None], run: Run) -> int:
    """Do something in a process of its own; its id. It says nothing and ends with 0, or 1 where it failed."""
    child = os.fork()
    if child == 0:
        status = 1
        try:
            if not os.environ.get("FAULT_TABLE_LOUD"):
                os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            work(run)
            status = 0
        finally:
            os._exit(status)
    return child


def _child(work: Callable[[Run], None], run: Run) -> int:
    return os.waitstatus_to_exitcode(os.waitpid(_fork(work, run), 0)[1])


def _sent_through(run: Run) -> None:
    run.queue()
    _child(run._send, run)


def _killed(run: Run) -> None:
    """Up to four senders, each killed at a random moment."""
    run.queue()
    for _ in range(run.chance.randint(1, 4)):
        _kill_soon(run, run.send())


def _kill_soon(run: Run, child: int, longest: float = 0.5) -> None:
    time.sleep(longest * run.chance.random())
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)


def _killed_while_queueing(run: Run) -> None:
    for _ in range(3):
        child = _fork(lambda run: run.queue(), run)
        _kill_soon(run, child, 0.03)
    run.queue()


def _two_senders(run: Run) -> None:
    run.queue()
    for child in [run.send(), run.send()]:
        os.waitpid(child, 0)


def _two_one_killed(run: Run) -> None:
    run.queue()
    stays, goes = run.send(), run.send()
    _kill_soon(run, goes)
    os.waitpid(stays, 0)


def _disk_full(run: Run) -> None:
    """No file may grow over a limit (setrlimit RLIMIT_FSIZE): first while queueing, then while sending."""
    limit = run.chance.choice([4_096, 20_000, 60_000, 110_000])

    def limited(run: Run, work: Callable[[], None]) -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
        try:
            work()
        except OutboxError:
            return

    _child(lambda run: limited(run, run.queue), run)
    run.queue()
    _child(lambda run: limited(run, lambda: run._send(run)), run)


def _power_lost(run: Run) -> None:
    """What a disk may keep of the last writes: the write-ahead log cut anywhere after what was waited for."""
    run.queue()
    log = run.path.with_name("outbox.db-wal")
    holder = Outbox(run.path)  # Keeps SQLite from folding the log into the file.
    safe = log.stat().st_size if log.exists() else 0
    child = run.send()
    time.sleep(0.4 * run.chance.random())
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    after = run.folder / "after"
    after.mkdir()
    for path in (run.path, log):
        shutil.copy(path, after / path.name)
    holder.close()
    copied = after / log.name
    os.truncate(copied, run.chance.randint(min(safe, copied.stat().st_size), copied.stat().st_size))
    run.path = after / run.path.name


_DRIVERS: dict[str, Callable[[Run], None]] = {
    "killed at a random moment": _killed,
    "killed while answers are lost": _killed,
    "killed while the server is away": _killed,
    "killed while queueing": _killed_while_queueing,
    "two senders at once": _two_senders,
    "two senders, one killed": _two_one_killed,
    "disk full": _disk_full,
    "power lost: last writes undone": _power_lost,
}


@contextmanager
def servers(names: list[str]) -> Iterator[dict[str, str]]:
    """The servers to send to, by name."""
    with tempfile.TemporaryDirectory() as folder, _all(names, Path(folder)) as found:
        yield found


@contextmanager
def _all(names: list[str], folder: Path) -> Iterator[dict[str, str]]:
    if not names:
        yield {}
        return
    place = folder / names[0]
    place.mkdir()
    start = {"sandbox": sandbox, "sekmet": sekmet, "hapi": hapi}
    with start[names[0]](place) as url, _all(names[1:], folder) as rest:
        yield {names[0]: url, **rest}


def run_once(kind: str, seed: int, server: str, proxy: Proxy, catalogue: Catalogue) -> Count:
    """One run of one kind of fault against the server at this address."""
    with tempfile.TemporaryDirectory() as folder:
        return Run(kind, seed, server, proxy, Path(folder), catalogue).go()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=50, help="seeded runs of each kind against each server")
    parser.add_argument("--kinds", nargs="*", choices=KINDS, default=KINDS)
    parser.add_argument("--servers", nargs="*", choices=["sandbox", "sekmet", "hapi"], default=["sandbox", "sekmet"])
    parser.add_argument("--first-seed", type=int, default=1)
    wanted = parser.parse_args()
    catalogue = load_catalogue()
    print("| fault | server | runs | struck | lost | doubled | wrong | dead-lettered |")
    print("|---|---|---|---|---|---|---|---|")
    bad, started = 0, time.monotonic()
    with faulty_proxy() as proxy, servers(wanted.servers) as found:
        for kind in wanted.kinds:
            for name, url in found.items():
                count = Count()
                for seed in range(wanted.first_seed, wanted.first_seed + wanted.runs):
                    one = run_once(kind, seed, url, proxy, catalogue)
                    one.hits = int(one.hits > 0)
                    count.add(one)
                    if one.remarks:
                        print(f"{kind}, {name}, seed {seed}: {'; '.join(one.remarks[:5])}", file=sys.stderr)
                numbers = (count.runs, count.hits, count.lost, count.doubled, count.wrong, count.dead)
                print(f"| {kind} | {name} | {' | '.join(map(str, numbers))} |", flush=True)
                bad += count.lost + count.doubled + count.wrong
    print(f"\n{len(wanted.kinds)} kinds, {(time.monotonic() - started) / 60:.0f} minutes", file=sys.stderr)
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
