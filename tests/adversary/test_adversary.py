"""The adversary, driven step by step: a stateful property test. Longer runs: ``python -m tests.adversary.run``."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1] / "outbox"))

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from adapter.catalogue import load_catalogue
from adapter.sandbox import Adversary, Power
from tests.adversary.hostile import Ward
from tests.adversary.run import walk

KEYS = st.sampled_from(["a", "b", "c"])
CATALOGUE = load_catalogue()


class Hostile(RuleBasedStateMachine):
    """One ward, one server."""

    @initialize(seed=st.integers(0, 2**32), powers=st.sets(st.sampled_from(sorted(Power)), min_size=1))
    def begin(self, seed: int, powers: set[Power]) -> None:
        self._folder = Path(tempfile.mkdtemp())
        self._server = Adversary(seed, frozenset(powers))
        self._ward = Ward(self._folder, self._server, CATALOGUE)

    @rule(key=KEYS)
    def record(self, key: str) -> None:
        self._ward.record(key)

    @rule()
    def send(self) -> None:
        self._ward.send()

    @rule(before=st.booleans())
    def kill(self, before: bool) -> None:
        self._ward.kill(before)

    @rule(seconds=st.sampled_from([0.0, 3e7, -3e7, 1e9]))
    def jump(self, seconds: float) -> None:
        self._ward.jump(seconds)

    @rule()
    def back_up(self) -> None:
        self._ward.backups.append(self._server.back_up())

    @rule(number=st.integers(0, 5))
    def restore(self, number: int) -> None:
        self._server.restore(self._ward.backups[number % len(self._ward.backups)])

    @rule()
    def replace(self) -> None:
        self._server.replace()

    @invariant()
    def holds(self) -> None:
        if hasattr(self, "_ward"):
            self._ward.check()

    def teardown(self) -> None:
        if not hasattr(self, "_ward"):
            return
        try:
            self._ward.settle()
        finally:
            self._ward.close()
            shutil.rmtree(self._folder)


@pytest.mark.parametrize("over", ["watch", "mllp"])
def test_through_a_watched_folder_and_over_mllp(over: str) -> None:
    walk(over, 1, frozenset(Power), 5, replaced=False, catalogue=CATALOGUE)


TestHostile = Hostile.TestCase
TestHostile.settings = settings(
    # the same each time: what is new is looked for by hand, at length
    max_examples=4,
    stateful_step_count=10,
    deadline=None,
    derandomize=True,
    suppress_health_check=list(HealthCheck),
)
