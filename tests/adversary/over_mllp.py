"""A listener of HL7 v2 that does what MLLP allows at the worst moment, drawn from a seed; a ward that sends to it.

It never refuses a message for what is in it. Whoever reads what it took in the order in which it was taken, doubled
messages and all, must end with the last version of each exam, on the right newborn.
"""

from __future__ import annotations

import random
import socketserver
import threading
import time
from collections import Counter
from contextlib import suppress
from pathlib import Path

import httpx
from sent_exams import newborn

from adapter import reassign
from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.read.oru import from_oru
from adapter.send import Outbox, Retry, Sender, State
from adapter.send.mllp import Frames, framed
from adapter.send.policy import Timeouts
from adapter.send.reassigning import queue_reassignment
from tests.adversary.hostile import Acts, next_version, set_clock
from tests.adversary.prepared import MllpOnce

TIMES = Timeouts(connect=1, read=0.03, whole=0.06)
PATIENT = Retry(
    tries=8, first=0.0001, longest=0.0005, patience=0.2, heed=0.01, budget=3600.0, chance=random.Random(0)
)
POWERS = ("drop", "lose", "mute", "busy", "failing", "twice", "other", "split", "noise", "late", "half")
#: A listener that takes a message and never acknowledges it uses up its tries; a person tries it again.
TRUE_REASONS = {"no-acknowledgement", "foreign-acknowledgement", "half-arrived", "hl7-207", "unreachable"}


class Listener(socketserver.TCPServer):
    """``taken`` are the messages in the order in which they were taken; while it is ``calm`` it does nothing odd.

    It handles one connection after the other, each to its end. Of a listener that handles several at once no sender
    can know whether a message that it gave up waiting for is still to be read behind a newer one (MLLP has no way to
    take it back): there the receiver must go by what the message says of its time and version.
    """

    allow_reuse_address = True

    def __init__(self, seed: int, often: float = 0.4) -> None:
        super().__init__(("127.0.0.1", 0), _Connection)
        self.taken: list[bytes] = []
        self.done: Counter[str] = Counter()
        self.calm, self._often = False, often
        self._chance, self._lock = random.Random(seed), threading.Lock()
        threading.Thread(target=self.serve_forever, args=(0.01,), daemon=True).start()

    @property
    def url(self) -> httpx.URL:
        return httpx.URL(f"mllp://127.0.0.1:{self.server_address[1]}")

    def power(self) -> str:
        with self._lock:
            if self.calm or self._chance.random() >= self._often:
                return ""
            found = self._chance.choice(POWERS)
            self.done[found] += 1
            return found

    def take(self, message: bytes) -> None:
        with self._lock:
            self.taken.append(message)


class _Connection(socketserver.BaseRequestHandler):
    server: Listener

    def handle(self) -> None:
        frames = Frames()
        with suppress(OSError):
            while piece := self.request.recv(65536):
                for message in frames.feed(piece):
                    if not self._answered(message, self.server.power()):
                        return

    def _answered(self, message: bytes, power: str) -> bool:
        """Take a message and say so, or what else is in its power; whether the connection stays."""
        if power == "drop":
            return False
        if power in ("busy", "failing"):
            self.request.sendall(framed(_answer(message, "AR" if power == "busy" else "AE", "ERR|||207|E\r")))
            return True
        self.server.take(message)
        said = framed(_answer(message, "AA"))
        if power in ("lose", "half"):
            self.request.sendall(said[: len(said) // 2] if power == "half" else b"")
            return False
        if power == "late":
            time.sleep(TIMES.whole * 1.5)
        before = {"other": framed(_answer(message, "AA", to="ANOTHER")), "noise": b"\x1c\r**", "twice": said}
        whole = before.get(power, b"") + (b"" if power == "mute" else said)
        size = 7 if power == "split" else len(whole) or 1
        for start in range(0, len(whole), size):
            self.request.sendall(whole[start : start + size])
        return True


def _answer(message: bytes, code: str, more: str = "", to: str = "") -> bytes:
    header = message.split(b"\r", 1)[0].decode().split("|")
    msh = f"MSH|^~\\&|R|R|S|S|20260301||ACK^R01^ACK|A{header[9]}|P|2.5.1\r"
    return f"{msh}MSA|{code}|{to or header[9]}\r{more}".encode()


class MllpWard:
    """Newborns whose exams are recorded, amended, taken back, or put on the right newborn, and sent to a listener."""

    def __init__(self, folder: Path, seed: int, catalogue: Catalogue) -> None:
        self.listener, self.catalogue, self._path = Listener(seed), catalogue, folder / "mllp.db"
        self.outbox = Outbox(self._path)
        self.transport = MllpOnce(self.listener.url, TIMES)
        self.exams: dict[str, list[Exam]] = {}
        self.ahead = 0.0
        self._read: list[Exam] = []

    def close(self) -> None:
        self.outbox.close()
        self.transport.__exit__(None, None, None)
        self.listener.shutdown()
        self.listener.server_close()

    def record(self, key: str) -> None:
        made = next_version(key, self.exams.setdefault(key, []))
        if made is not None:
            self.exams[key].append(made)
            earlier = self.outbox.other_versions(self.transport.target, made.details.root, made.details.id)
            message = self.transport.prepare(made, self.catalogue, earlier).message
            assert message is not None
            self.outbox.put(self.transport.target, message)

    def reassign(self, key: str) -> None:
        """The last version was recorded on the wrong newborn."""
        versions = self.exams.setdefault(key, [])
        if not versions or versions[-1].details.status is Status.ENTERED_IN_ERROR:
            return
        right = f"{key}-right"
        made = reassign(versions[-1], newborn(right), f"x-{right}", "Taken in the wrong cot.", self.catalogue)
        queue_reassignment(self.outbox, self.transport, made, self.catalogue)
        versions.append(made.taken_back)
        self.exams[right] = [made.anew]

    def send(self) -> None:
        with set_clock(self.ahead):
            Sender(self.outbox, self.transport, retry=PATIENT, parallel=1).run()

    def kill(self, before: bool) -> None:
        letter = self.outbox.claim(self.transport.target, PATIENT.tries, PATIENT.longest_wait)
        if letter is not None and not before:
            with suppress(Exception):  # whatever it was, nobody lives to note it
                self.transport.deliver(letter)
        self.outbox.close()
        self.outbox = Outbox(self._path)

    def check(self) -> None:
        """What must hold at any moment: never an older version after a newer one, nor on another newborn."""
        for row in self.outbox.rows(State.DEAD):
            assert {one.rule for one in row.reasons} <= TRUE_REASONS, row.reasons
        order = {one.details.id: place for key in self.exams for place, one in enumerate(self.exams[key])}
        last: dict[str, int] = {}
        for read in self._taken():
            meant = next(one for ones in self.exams.values() for one in ones if one.details.id == read.details.id)
            assert read.newborn.identifiers == meant.newborn.identifiers
            root, place = read.details.root, order[read.details.id]
            assert place >= last.get(root, 0), (root, read.details.id)
            last[root] = place

    def settle(self) -> None:
        """The listener is well, a person has tried again what was given up: all is there."""
        self.listener.calm, self.ahead = True, 0.0
        for _ in range(2):
            for row in self.outbox.rows(State.DEAD, State.WAITING):
                self.outbox.retry(row.seq)
            self.send()
        self.check()
        assert {row.state for row in self.outbox.rows()} <= {State.SENT, State.SUPERSEDED}
        taken = {one.details.root: one for one in self._taken()}
        for versions in self.exams.values():
            if versions:
                found = taken[versions[0].details.id]
                assert found.details.id == versions[-1].details.id
                if versions[-1].details.status is not Status.ENTERED_IN_ERROR:
                    assert sorted(map(repr, found.findings)) == sorted(map(repr, versions[-1].findings))

    def _taken(self) -> list[Exam]:
        """What was taken, read, in that order."""
        messages = list(self.listener.taken)
        self._read += [one for m in messages[len(self._read) :] for one in from_oru(m, self.catalogue)]
        return self._read

    def strikes(self) -> dict[str, int]:
        """How often the listener did what."""
        return dict(self.listener.done)

    def acts(self, chance: random.Random) -> Acts:
        """What may happen, and how often."""

        def jump() -> None:
            self.ahead = chance.choice((0.0, 3e7, -3e7, 1e9))

        return {
            "record": (6, lambda: self.record(chance.choice("abcd"))),
            "send": (5, self.send),
            "kill": (1, lambda: self.kill(chance.random() < 0.5)),
            "jump": (1, jump),
            "reassign": (1, lambda: self.reassign(chance.choice("abcd"))),
        }
