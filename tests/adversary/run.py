"""The adversary at length, by hand: seeds one after the other, each a ward of its own.

    python -m tests.adversary.run [--seeds N] [--from SEED] [--steps N] [--powers drop,lose,...] [--replaced] [--stop]

A seed that breaks what must hold is named with what broke. ``--replaced`` lets the server be replaced by another one
too, on which others lie under the ids that are remembered; ``--stop`` ends at the first.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "outbox")]

from adapter.catalogue import Catalogue, load_catalogue  # noqa: E402
from adapter.sandbox import Adversary, Power  # noqa: E402
from tests.adversary.hostile import Ward  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--steps", type=int, default=15)
    parser.add_argument("--powers", default=",".join(Power))
    parser.add_argument("--replaced", action="store_true")
    parser.add_argument("--stop", action="store_true")
    given = parser.parse_args()
    powers = frozenset(Power(one) for one in given.powers.split(",") if one)
    catalogue, began, broken = load_catalogue(), time.monotonic(), 0
    done: Counter[str] = Counter()
    for seed in range(given.first, given.first + given.seeds):
        try:
            done += walk(seed, powers, given.steps, given.replaced, catalogue)
        except Exception as error:
            broken += 1
            place = traceback.extract_tb(error.__traceback__)[-1]
            words = f"{type(error).__name__}: {error}".splitlines()[0]
            print(f"seed {seed}: {place.name}:{place.lineno} {words[:300]}", flush=True)
            if given.stop:
                break
    print(f"{given.seeds} seeds, {broken} broken, {time.monotonic() - began:.0f} s; {dict(sorted(done.items()))}")
    return bool(broken)


def walk(seed: int, powers: frozenset[Power], steps: int, replaced: bool, catalogue: Catalogue) -> Counter[str]:
    """One ward to its end; how often what was done. Raises ``AssertionError`` where something does not hold."""
    chance = random.Random(seed)
    done: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        server = Adversary(seed, powers)
        ward = Ward(Path(name), server, catalogue)
        acts = {
            "record": lambda: ward.record(chance.choice("abcd")),
            "send": ward.send,
            "kill": lambda: ward.kill(chance.random() < 0.5),
            "jump": lambda: ward.jump(chance.choice((0.0, 3e7, -3e7, 1e9))),
            "back up": lambda: ward.backups.append(server.back_up()),
            "restore": lambda: server.restore(chance.choice(ward.backups)),
        }
        weights = [6, 5, 1, 1, 1, 1]
        if replaced:
            acts["replace"], weights = server.replace, [*weights, 1]
        try:
            for act in ["record", "send", *chance.choices(list(acts), weights, k=steps)]:
                acts[act]()
                done[act] += 1
                ward.check()
            ward.settle()
            done += Counter({power.value: count for power, count in server.done.items()})
        finally:
            ward.close()
            server.close()
    return done


if __name__ == "__main__":
    sys.exit(main())
