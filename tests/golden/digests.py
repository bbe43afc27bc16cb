"""The digests that are kept."""

from __future__ import annotations

import json
from hashlib import sha256
from pathlib import Path

DIGESTS = Path(__file__).with_name("digests.json")


def digests() -> dict[str, str]:
    """By the name of the output."""
    return json.loads(DIGESTS.read_text(encoding="utf-8")) if DIGESTS.exists() else {}


def digest(content: bytes) -> str:
    """The first 16 digits of SHA-256."""
    return sha256(content).hexdigest()[:16]
