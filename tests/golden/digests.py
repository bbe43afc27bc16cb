"""The digests that are kept."""

from __future__ import annotations

import json
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path

DIGESTS = Path(__file__).with_name("digests.json")


def digests() -> dict[str, str]:
    """By the name of the output."""
    return json.loads(DIGESTS.read_text(encoding="utf-8")) if DIGESTS.exists() else {}


def digest(content: bytes) -> str:
    """The first 16 digits of SHA-256."""
    return sha256(content).hexdigest()[:16]


def to_look_at(kept: Iterable[str]) -> set[str]:
    """The names of those pieces that the tests make anew: of each kind of output one, by the digest of its name."""
    kinds: dict[str, set[str]] = {}
    for name in kept:
        part, kind, *_ = name.split("/")
        if part == "command":
            name, kind = f"{part}/{kind}", kind.partition("-")[0]
        kinds.setdefault(kind, set()).add(name)
    return {min(pieces, key=lambda name: digest(name.encode())) for pieces in kinds.values()}
