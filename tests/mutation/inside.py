"""The tests' side: a plugin of pytest that collects once, and hears the tests on each change in a forked process.

Starting Python and collecting costs more than most tests. So the first child runs some cases of every test and notes
which functions of the room they call and how long they took; the other cases are taken to do the same. Each further
child puts the changed code under a function of the room (the file is changed as well, for processes that a test
starts) and runs the tests that call it, the quick ones first, then others for a while, in case a function's results
were kept from test to test.
"""

from __future__ import annotations

import gc
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from itertools import chain, groupby
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import Any

import pytest

from tests.mutation.changes import Mutant

SECONDS, MORE = 10.0, 2.0
"""How much processor time the tests of a function may take by the first run, and those that do not call it."""
CASES = 3
"""Of a test of many cases so many are run first."""
_PATIENCE = 6
"""How many times longer, by the clock, they may then last. What does not end until then is neither seen nor not."""


class Inside:
    """Hears the tests on each change; ``say`` is called with what comes of it."""

    def __init__(self, room: Path, chosen: list[Mutant], say: Callable[[str], None]) -> None:
        self._room, self._chosen, self._say = f"{room}{os.sep}", chosen, say
        self._failed = ""
        self._calls: dict[str, set[tuple[str, int]]] = {}
        self._takes: dict[str, float] = {}

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self._failed = report.nodeid

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """In the place of running the tests once."""
        reading, writing = os.pipe()
        if (child := os.fork()) == 0:
            os.close(reading)
            with os.fdopen(writing, "w") as out:
                json.dump(self._first_run(session), out)
            os._exit(0)
        os.close(writing)
        with os.fdopen(reading) as told:
            first = json.load(told)
        os.waitpid(child, 0)
        for failed in first["failed"]:
            self._say(f"fails without any change, so it is left out: {failed}")
        session.items = [item for item in session.items if item.nodeid not in first["failed"]]
        self._takes = first["takes"]
        self._calls = {test: {(file, line) for file, line in calls} for test, calls in first["calls"].items()}
        outcomes = [self._outcome(session, mutant, number) for number, mutant in enumerate(self._chosen)]
        undecided = f", {outcomes.count(None)} not decided" if None in outcomes else ""
        self._say(f"{outcomes.count(True)} of {len(outcomes)} seen{undecided}, by {len(self._takes)} tests")
        return True

    def _first_run(self, session: pytest.Session) -> dict[str, Any]:
        calls: dict[str, set[CodeType]] = {}
        now: set[CodeType] = set()
        failed: list[str] = []

        def trace(frame: FrameType, event: str, argument: Any) -> None:
            now.add(frame.f_code)

        threading.settrace(trace)
        some = [cases[:: -(-len(cases) // CASES)] for cases in _cases(session)]
        first = list(chain.from_iterable(some))
        for place, item in enumerate(first):
            now = set()
            began = time.process_time()
            sys.settrace(trace)
            self._run(item, first[place + 1] if place + 1 < len(first) else None)
            sys.settrace(None)
            self._takes[item.nodeid] = time.process_time() - began
            calls[item.nodeid] = now
            if self._failed:
                failed.append(item.nodeid)
                self._failed = ""
        for ran, cases in zip(some, _cases(session), strict=True):
            for item in cases:
                self._takes.setdefault(item.nodeid, max(self._takes[one.nodeid] for one in ran))
                calls.setdefault(item.nodeid, set[CodeType]().union(*(calls[one.nodeid] for one in ran)))
        told = {
            test: sorted({
                (code.co_filename, code.co_firstlineno)
                for code in codes
                if code.co_filename.startswith(self._room) and code.co_name != "<module>"
            })
            for test, codes in calls.items()
        }  # fmt: skip
        return {"failed": failed, "takes": self._takes, "calls": told}

    def _outcome(self, session: pytest.Session, mutant: Mutant, number: int) -> bool | None:
        """Whether a test fails with the change; nothing if the tests did not end."""
        whole = mutant.path.read_bytes()
        mutant.path.write_bytes(mutant.made(whole))
        os.utime(mutant.path, (number, number))  # so that no bytecode of another change is taken for its own
        try:
            tests, seconds, left_out = self._tests(session, mutant)
            if (child := os.fork()) == 0:
                os.setsid()
                os._exit(self._heard(session, mutant, tests))
            end = time.monotonic() + _PATIENCE * (seconds + 5)
            while (done := os.waitpid(child, os.WNOHANG)) == (0, 0) and time.monotonic() < end:
                time.sleep(0.02)
            if done == (0, 0):
                os.killpg(child, signal.SIGKILL)
                os.waitpid(child, 0)
                self._say(f"not decided, the tests do not end: {mutant}")
                return None
            if not done[1]:
                unheard = f" ({left_out} slow tests of it not run)" if left_out else ""
                self._say(f"not seen: {mutant}{unheard}")
            return done[1] != 0
        finally:
            mutant.path.write_bytes(whole)

    def _tests(self, session: pytest.Session, mutant: Mutant) -> tuple[list[pytest.Item], float, int]:
        """What is run on a change, how long it took without, and how many that call the function are left out."""
        file, place = str(mutant.path), mutant.within[0] if mutant.within else None
        quick = sorted(session.items, key=lambda item: self._takes[item.nodeid])
        calling = [
            item
            for item in quick
            if any(of == file and place in (None, line) for of, line in self._calls[item.nodeid])
        ]
        others = [item for item in quick if item not in calling]
        chosen, seconds = [], 0.0
        for items, most in ((calling, SECONDS), (others, MORE)):
            spent = 0.0
            for item in items:
                spent += self._takes[item.nodeid]
                if spent > most and chosen:
                    break
                chosen.append(item)
            seconds += spent
        return chosen, seconds, len(set(calling) - set(chosen))

    def _heard(self, session: pytest.Session, mutant: Mutant, tests: list[pytest.Item]) -> int:
        """In a child: 1 if a test fails with the change."""
        if mutant.within:
            _put(mutant)
        else:
            return _in_a_new_process(tests)
        for place, item in enumerate(tests):
            self._run(item, tests[place + 1] if place + 1 < len(tests) else None)
            if self._failed:
                session._setupstate.teardown_exact(None)
                return 1
        return 0

    @staticmethod
    def _run(item: pytest.Item, following: pytest.Item | None) -> None:
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)


def _cases(session: pytest.Session) -> list[list[pytest.Item]]:
    """The cases of each test."""
    return [list(cases) for _, cases in groupby(session.items, key=lambda item: item.nodeid.split("[")[0])]


def _in_a_new_process(tests: list[pytest.Item]) -> int:
    """What stands outside of functions is run when a module is imported: only a new process sees it changed."""
    names = [item.nodeid for item in tests]
    os.execv(sys.executable, [sys.executable, "-m", "pytest", "-x", "-q", *names])


def _put(mutant: Mutant) -> None:
    """The changed code in the place of the outermost function around the change, wherever that is held."""
    file, first = str(mutant.path), mutant.within[1]
    changed = _code(compile(mutant.path.read_bytes(), file, "exec", dont_inherit=True), first)
    for held in gc.get_objects():
        if isinstance(held, FunctionType):
            code = held.__code__
            if (code.co_filename, code.co_firstlineno, code.co_name) == (file, first, changed.co_name):
                held.__code__ = changed


def _code(module: CodeType, first: int) -> CodeType:
    for inner in module.co_consts:
        if isinstance(inner, CodeType):
            if inner.co_firstlineno == first and not inner.co_name.startswith("<"):
                return inner
            with_it = next(iter(_found(inner, first)), None)
            if with_it is not None:
                return with_it
    raise LookupError(first)


def _found(inner: CodeType, first: int) -> list[CodeType]:
    try:
        return [_code(inner, first)]
    except LookupError:
        return []
