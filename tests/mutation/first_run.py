"""The first run: which changes each test reaches, and what it costs."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from itertools import chain, groupby
from types import FrameType
from typing import Any

import pytest

from tests.mutation.changes import Mutant
from tests.mutation.reached import probed, put, since

CASES, OF_CASES = 3, 0.3
"""Of a test of many cases so many are run first, and further ones until they took so many seconds."""
TOO_LONG, BY_THE_CLOCK = 2.0, 20.0
"""A test that takes more processor time or lasts longer is left out: browsers, servers, many processes."""


class _TooLong(BaseException):
    """Not for a test to catch."""


class FirstRun:
    """Which changes each test reaches, and what it costs; all of it in a child."""

    def __init__(self, chosen: list[Mutant]) -> None:
        self._chosen = chosen
        self._reach: dict[str, set[int]] = {}
        self._costs: dict[str, tuple[float, float]] = {}
        self._shared: dict[Any, tuple[set[int], float]] = {}
        self._now: tuple[set[int], float] = set(), 0.0
        self._failed: list[str] = []
        self._long: list[str] = []
        self._fails = False
        self._is_long = False

    def of(self, session: pytest.Session) -> dict[str, Any]:
        """As it is kept: tests that fail, those that take long; of the others the changes and the costs."""
        session.config.pluginmanager.register(self)
        before = {mutant.path: mutant.path.read_bytes() for mutant in self._chosen}
        since()
        for path, whole in before.items():
            changes = [(number, mutant) for number, mutant in enumerate(self._chosen) if mutant.path == path]
            path.write_bytes(probed(whole, changes))
            put(path)
        try:
            self._all(session)
        finally:
            for path, whole in before.items():
                path.write_bytes(whole)
        shares: dict[str, list[int]] = {}
        for item in session.items:
            if (reach := self._reach.get(item.nodeid)) is not None:
                having = set(chain.from_iterable(vars(item)["_fixtureinfo"].name2fixturedefs.values()))
                shares[item.nodeid] = [number for number, one in enumerate(self._shared) if one in having]
                reach.update(*(self._shared[one][0] for one in self._shared if one in having))
        return {
            "failed": self._failed, "long": self._long, "costs": self._costs,
            "shares": shares, "shared": [cost for _, cost in self._shared.values()],
            "reach": {test: sorted(reached) for test, reached in self._reach.items()},
        }  # fmt: skip

    def _all(self, session: pytest.Session) -> None:
        tests = [list(cases) for _, cases in groupby(session.items, key=lambda item: item.nodeid.split("[")[0])]
        for place, cases in enumerate(tests):
            following = tests[place + 1][0] if place + 1 < len(tests) else None
            some = cases[:: -(-len(cases) // CASES)]
            order = some + [case for case in cases if case not in some]
            ran: list[str] = []
            spent = 0.0
            for number, case in enumerate(order):
                mean = spent / len(ran) if ran else 0.0
                last = number + 1 == len(order) or (number + 1 >= len(some) and spent + 2 * mean > OF_CASES)
                spent += self._one(case, following if last else order[number + 1])
                ran.append(case.nodeid)
                if last:
                    break
            good = [name for name in ran if name in self._costs]
            for case in order[len(ran) :]:
                if good:
                    self._reach[case.nodeid] = set[int]().union(*(self._reach[name] for name in good))
                    self._costs[case.nodeid] = max(self._costs[name] for name in good)

    def _one(self, item: pytest.Item, following: pytest.Item | None) -> float:
        """Run it; the processor time that it took."""
        since()
        self._fails = self._is_long = False
        self._now = set(), 0.0
        began, at = sum(os.times()[:4]), time.monotonic()
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        took, lasted = sum(os.times()[:4]) - began - self._now[1], time.monotonic() - at
        if self._is_long or took > TOO_LONG:
            self._long.append(item.nodeid)
        elif self._fails:
            self._failed.append(item.nodeid)
        else:
            self._costs[item.nodeid] = took, lasted
            self._reach[item.nodeid] = since() | self._now[0]
        return took

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._fails = self._fails or report.failed

    @pytest.hookimpl(hookwrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[None]:
        """What a fixture of several tests reaches, all of them reach."""
        began = sum(os.times()[:4])
        yield
        if fixturedef.scope != "function":
            reached, took = since(), sum(os.times()[:4]) - began
            self._shared[fixturedef] = reached, took
            self._now = self._now[0] | reached, self._now[1] + took

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_call(self) -> Iterator[None]:
        def stop(number: int, frame: FrameType | None) -> None:
            self._is_long = True
            _disarm()
            raise _TooLong

        signal.signal(signal.SIGALRM, stop)
        signal.signal(signal.SIGPROF, stop)
        signal.setitimer(signal.ITIMER_REAL, BY_THE_CLOCK)
        signal.setitimer(signal.ITIMER_PROF, TOO_LONG)
        yield
        _disarm()


def _disarm() -> None:
    signal.setitimer(signal.ITIMER_REAL, 0)
    signal.setitimer(signal.ITIMER_PROF, 0)
