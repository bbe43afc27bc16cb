"""The tests' side: a plugin of pytest that collects once, and hears the tests on each change in a forked process.

Starting Python and collecting costs more than most tests. So the first child runs the tests with a probe where each
change would be (``reached``) and notes which they reach and what they cost; of a test of many cases it runs some, and
the others are taken to do the same. Each further child puts the changed code in the place of the functions of its
file (the file is changed as well, for processes that a test starts) and runs the tests that reach it, the quick ones
first, then others for a while, in case results were kept from test to test. What they do not see is heard once more
in a new process, where nothing was kept.

All is counted in processor time, so that a busy machine decides nothing: tests that burn far more than they needed
without the change do not end, which is seen. The clock is asked last, for those that wait for ever.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import sys
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from itertools import count
from pathlib import Path
from typing import NoReturn

import pytest

from tests.mutation.changes import Mutant
from tests.mutation.first_run import FirstRun
from tests.mutation.reached import put

SECONDS, MORE = 6.0, 1.5
"""How much processor time the tests that reach a change may take by the first run, and those that do not."""
_TIMES, _LAST_RESORT = 2, 10
"""How many times more processor time the tests may then take, and time by the clock; what has not ended by then is
neither seen nor not."""
_FAULT = 99
"""A child ends with this where the fault is here."""


class Inside:
    """Hears the tests on each change of some rooms; ``say`` is called with what comes of it, as text.

    What the first run tells is put into ``kept``, and taken from there if it is there already.
    """

    def __init__(self, rooms: dict[str, list[Mutant]], say: Callable[[str], None], kept: Path) -> None:
        self._rooms, self._say, self._kept = rooms, say, kept
        self._failed = ""
        self._reach: dict[str, list[int]] = {}
        self._costs: dict[str, tuple[float, float]] = {}
        self._shares: dict[str, list[int]] = {}
        self._shared: list[float] = []
        self._starting = 0.0

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self._failed = report.nodeid

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """In the place of running the tests once."""
        if not self._kept.exists():
            if (child := os.fork()) == 0:
                _ends(lambda: self._first_run(session))
            os.waitpid(child, 0)
            _kill(child)
        first = json.loads(self._kept.read_text(encoding="utf-8"))
        for name in first["failed"]:
            self._say(f"fails without any change, so it is left out: {name}")
        if first["long"]:
            self._say(f"left out, since they take long: {len(first['long'])} tests")
        self._reach, self._costs = first["reach"], first["costs"]
        self._shares, self._shared = first["shares"], first["shared"]
        self._starting = time.process_time()
        session.items = [item for item in session.items if item.nodeid in self._costs]
        numbers = count()
        for room, chosen in self._rooms.items():
            outcomes = [self._outcome(session, mutant, next(numbers)) for mutant in chosen]
            undecided = f", {outcomes.count(None)} not decided" if None in outcomes else ""
            self._say(f"{room}: {outcomes.count(True)} of {len(outcomes)} seen{undecided}")
        return True

    def _first_run(self, session: pytest.Session) -> int:
        told = json.dumps(FirstRun([one for chosen in self._rooms.values() for one in chosen]).of(session))
        self._kept.parent.mkdir(parents=True, exist_ok=True)
        self._kept.write_text(told, encoding="utf-8")
        return 0

    def _outcome(self, session: pytest.Session, mutant: Mutant, number: int) -> bool | None:
        """Whether a test fails with the change; nothing if the tests neither end nor use the processor."""
        whole = mutant.path.read_bytes()
        mutant.path.write_bytes(mutant.made(whole))
        os.utime(mutant.path, (number, number))  # so that no bytecode of another change is taken for its own
        try:
            tests, reaching, left_out = self._tests(session, number)
            seen: str | None = ""
            if mutant.within_a_function and reaching:
                seen = self._heard(tests, 0, lambda: _in_this_process(session, mutant, tests, self._run))
            if seen == "" and (reaching or not mutant.within_a_function):
                seen = self._heard(tests, self._starting, lambda: _in_a_new_process(tests, self._kept))
            if seen is None:
                self._say(f"not decided, the tests wait for ever: {mutant}")
                return None
            more = f", {left_out} of them not run" if left_out else ""
            self._say(f"{seen or f'NOT SEEN ({reaching} tests reach it{more})'}: {mutant}")
            return bool(seen)
        finally:
            mutant.path.write_bytes(whole)

    def _heard(self, tests: list[pytest.Item], starting: float, run: Callable[[], int]) -> str | None:
        """How a test sees the change, in words; none if it does not, nothing if it cannot be said.

        ``starting`` is how much processor time it takes until the first test runs.
        """
        needed, lasted = (sum(self._costs[item.nodeid][place] for item in tests) for place in (0, 1))
        shared = sum(self._shared[number] for number in {one for item in tests for one in self._shares[item.nodeid]})
        processor = int(_TIMES * (needed + shared + starting)) + 10
        if (child := os.fork()) == 0:
            _ends(run, processor)
        end = time.monotonic() + _LAST_RESORT * (lasted + shared + starting + 10)
        while (done := os.waitpid(child, os.WNOHANG)) == (0, 0) and time.monotonic() < end:
            time.sleep(0.02)
        _kill(child)
        if done == (0, 0):
            os.waitpid(child, 0)
            return None
        if os.WIFSIGNALED(done[1]):
            return f"seen, tests do not end ({signal.Signals(os.WTERMSIG(done[1])).name})"
        if os.WEXITSTATUS(done[1]) == _FAULT:
            return None
        return "seen" if done[1] else ""

    def _tests(self, session: pytest.Session, number: int) -> tuple[list[pytest.Item], int, int]:
        """What is run on a change, how many reach it, and how many of those are left out."""
        cost = {item: self._costs[item.nodeid][0] for item in session.items}
        reaching = [item for item in session.items if number in self._reach[item.nodeid]]
        others = [item for item in session.items if number not in self._reach[item.nodeid]]
        chosen: list[pytest.Item] = []
        left_out = 0
        for items, most in ((reaching, SECONDS), (others, MORE if reaching else SECONDS)):
            spent = 0.0
            some: list[pytest.Item] = []
            for item in sorted(items, key=cost.__getitem__):
                spent += cost[item]
                if spent <= most or not some:
                    some.append(item)
                elif items is reaching:
                    left_out += 1
            # A file's tests stand together, or what they share would be made again and again.
            quickest: dict[Path, float] = {}
            for item in some:
                quickest.setdefault(item.path, cost[item])
            chosen += sorted(some, key=lambda item: (quickest[item.path], item.path, cost[item]))
        return chosen, len(reaching), left_out

    def _run(self, item: pytest.Item, following: pytest.Item | None) -> bool:
        """Whether it fails."""
        self._failed = ""
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        return bool(self._failed)


def _ends(run: Callable[[], int], processor: int = 0) -> NoReturn:
    """A child, which ends with this; with a bound to the seconds of processor time of each of its processes."""
    code = _FAULT
    try:
        os.setsid()
        if processor:
            resource.setrlimit(resource.RLIMIT_CPU, (processor, processor + 5))
            resource.setrlimit(resource.RLIMIT_DATA, (4 << 30, 4 << 30))
        code = run()
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)


def _kill(group: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)


def _in_this_process(
    session: pytest.Session,
    mutant: Mutant,
    tests: list[pytest.Item],
    run: Callable[[pytest.Item, pytest.Item | None], bool],
) -> int:
    """In a child: 1 if a test fails."""
    put(mutant.path)
    for item, following in zip(tests, [*tests[1:], None], strict=True):
        if run(item, following):
            session._setupstate.teardown_exact(None)
            return 1
    return 0


def _in_a_new_process(tests: list[pytest.Item], kept: Path) -> int:
    """Here what stands outside of functions is worked out anew too."""
    names = kept.with_suffix(f".{os.getpid()}")
    names.write_text(json.dumps([item.nodeid for item in tests]), encoding="utf-8")
    files = dict.fromkeys(str(item.path) for item in tests)
    os.execv(sys.executable, [sys.executable, "-m", "tests.mutation", "--only", str(names), "--tests", *files])


class Only:
    """In a new process: these tests and no others, in this order."""

    def __init__(self, names: Path) -> None:
        self._order = {name: place for place, name in enumerate(json.loads(names.read_text(encoding="utf-8")))}
        names.unlink()

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(
            (item for item in items if item.nodeid in self._order), key=lambda item: self._order[item.nodeid]
        )
