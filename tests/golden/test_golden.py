"""Every output is, byte for byte, what it was when somebody last looked (``python -m tests.golden --write``)."""

from __future__ import annotations

from tests.golden.digests import digest, digests
from tests.golden.outputs import outputs


def test_every_output_is_what_it_was() -> None:
    kept, now = digests(), {name: digest(content) for name, content in outputs()}
    changed = sorted(name for name in kept.keys() | now.keys() if kept.get(name) != now.get(name))
    assert changed == [], "look at them with python -m tests.golden --dump DIR; accept them with --write"
