"""The adversary at length, by hand: seeds one after the other, each a ward of its own.

    python -m tests.adversary.run [--over fhir|watch|mllp] [--seeds N] [--minutes N] [--from SEED] [--steps N]
        [--powers drop,lose,...] [--replaced] [--stop]

A seed that breaks what must hold is named with what broke; after so many minutes no further one is begun.
``--replaced`` lets the server be replaced by another one too, on which others lie under the ids that are remembered;
``--stop`` ends at the first.
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
from tests.adversary.hostile import Ward, WatchWard  # noqa: E402
from tests.adversary.over_mllp import MllpWard  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--over", choices=("fhir", "watch", "mllp"), default="fhir")
    parser.add_argument("--seeds", type=int, default=100)
    parser.add_argument("--minutes", type=float, default=float("inf"))
    parser.add_argument("--from", dest="first", type=int, default=0)
    parser.add_argument("--steps", type=int, default=15)
    parser.add_argument("--powers", default=",".join(Power))
    parser.add_argument("--replaced", action="store_true")
    parser.add_argument("--stop", action="store_true")
    given = parser.parse_args()
    powers = frozenset(Power(one) for one in given.powers.split(",") if one)
    catalogue, began, broken, seeds = load_catalogue(), time.monotonic(), 0, 0
    done: Counter[str] = Counter()
    for seed in range(given.first, given.first + given.seeds):
        if time.monotonic() - began > 60 * given.minutes:
            break
        seeds += 1
        try:
            done += walk(given.over, seed, powers, given.steps, given.replaced, catalogue)
        except Exception as error:
            broken += 1
            place = traceback.extract_tb(error.__traceback__)[-1]
            words = f"{type(error).__name__}: {error}".splitlines()[0]
            print(f"seed {seed}: {place.name}:{place.lineno} {words[:300]}", flush=True)
            if given.stop:
                break
    print(f"{seeds} seeds, {broken} broken, {time.monotonic() - began:.0f} s; {dict(sorted(done.items()))}")
    return bool(broken)


def walk(
    over: str, seed: int, powers: frozenset[Power], steps: int, replaced: bool, catalogue: Catalogue
) -> Counter[str]:
    """One ward to its end; how often what was done. Raises ``AssertionError`` where something does not hold."""
    chance = random.Random(seed)
    done: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        ward: Ward | MllpWard
        if over == "mllp":
            ward = MllpWard(Path(name), seed, catalogue)
        else:
            ward = (WatchWard if over == "watch" else Ward)(Path(name), Adversary(seed, powers), catalogue)
        try:
            acts = ward.acts(chance)
            if replaced and isinstance(ward, Ward):
                acts["replace"] = 1, ward.server.replace
            for act in [
                "record",
                "send",
                *chance.choices(list(acts), [often for often, _ in acts.values()], k=steps),
            ]:
                acts[act][1]()
                done[act] += 1
                ward.check()
            ward.settle()
            done += Counter(ward.strikes())
        finally:
            ward.close()
    return done


if __name__ == "__main__":
    sys.exit(main())
