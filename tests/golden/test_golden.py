"""Every output is, byte for byte, what it was when somebody last looked (``python -m tests.golden --write``).

Here one of each kind, be it of the shipped catalogue, of a site, of drawn exams or of a command; all of them, ten
times as much, by ``python -m tests.golden``, which ``.ci/run`` calls.
"""

from __future__ import annotations

import pytest

from tests.golden.digests import digest, digests, to_look_at
from tests.golden.outputs import PARTS, pieces_of

KEPT = digests()


@pytest.mark.parametrize("part", sorted({name.partition("/")[0] for name in to_look_at(KEPT)}))
def test_every_output_is_what_it_was(part: str) -> None:
    chosen = {name: make for name, make in pieces_of(part) if name in to_look_at(KEPT)}
    kept = {name: one for name, one in KEPT.items() if any(f"{name}/".startswith(f"{piece}/") for piece in chosen)}
    now = {name + rest: digest(content) for name, make in chosen.items() for rest, content in make().items()}
    changed = sorted(name for name in kept.keys() | now.keys() if kept.get(name) != now.get(name))
    assert now
    assert changed == [], "look at them with python -m tests.golden --dump DIR; accept them with --write"


def test_no_other_output_is_kept() -> None:
    assert {name.partition("/")[0] for name in KEPT} == set(PARTS)
