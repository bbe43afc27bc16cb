"""Every output is, byte for byte, what it was when somebody last looked (``python -m tests.golden --write``).

Here those of the shipped catalogue, of the drawn exams and of the commands; those of all sites and of every item and
answer, which take as long again, by ``python -m tests.golden``, which ``.ci/run`` calls.
"""

from __future__ import annotations

import pytest

from tests.golden.digests import digest, digests
from tests.golden.outputs import PARTS, outputs_of


@pytest.mark.parametrize("part", ["shipped", "seeded", "command"])
def test_every_output_is_what_it_was(part: str) -> None:
    kept = {name: one for name, one in digests().items() if name.startswith(f"{part}/")}
    now = {name: digest(content) for name, content in outputs_of(part)}
    changed = sorted(name for name in kept.keys() | now.keys() if kept.get(name) != now.get(name))
    assert now
    assert changed == [], "look at them with python -m tests.golden --dump DIR; accept them with --write"


def test_no_other_output_is_kept() -> None:
    assert {name.partition("/")[0] for name in digests()} == set(PARTS)
