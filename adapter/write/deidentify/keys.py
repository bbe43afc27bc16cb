"""Keyed pseudonyms and the secret key they need: HMAC-SHA-256 (RFC 2104, FIPS 198-1).

The key comes from a file or an environment variable, is never written anywhere, and has at least 32 bytes, the length
of the hash's output (RFC 2104, section 3). Whoever holds it can find a newborn again; without it nobody can.
"""

from __future__ import annotations

import hmac
import os
from hashlib import sha256
from pathlib import Path

from adapter.files.whole import open_to_others
from adapter.problems import AdapterError, ExitCode

LEAST_BYTES = 32


class BadPseudonymKey(AdapterError, ValueError):
    """There is no usable key; the message never holds any of it."""

    exit_code = ExitCode.USAGE


class Pseudonyms:
    """Pseudonyms by one key. What is named in two ways (``purpose``) gets two that nobody can link."""

    __slots__ = ("_key",)

    def __init__(self, key: bytes) -> None:
        if len(key) < LEAST_BYTES:
            raise BadPseudonymKey(f"the key is shorter than {LEAST_BYTES} bytes; make one with: openssl rand -hex 32")
        if len(set(key)) < 8:
            raise BadPseudonymKey("the key repeats a few bytes; make one with: openssl rand -hex 32")
        self._key = key

    def __repr__(self) -> str:
        return "Pseudonyms(key withheld)"

    def _digest(self, purpose: str, text: str) -> bytes:
        return hmac.new(self._key, f"{purpose}\0{text}".encode(), sha256).digest()

    def name(self, purpose: str, text: str) -> str:
        """128 bits in hexadecimal."""
        return self._digest(purpose, text).hex()[:32]

    def number(self, purpose: str, text: str, most: int) -> int:
        """A number from 1 to ``most``, and its sign: never 0."""
        value = int.from_bytes(self._digest(purpose, text)[:16], "big")
        size = value // 2 % most + 1
        return size if value % 2 else -size


def read_key(file: Path | None = None, variable: str | None = None) -> Pseudonyms:
    """The key from a file or an environment variable, without line end. Raises :class:`BadPseudonymKey`."""
    if (file is None) == (variable is None):
        raise BadPseudonymKey("name the key: the file or the environment variable that holds it")
    if file is not None:
        if open_to_others(file) == "written":
            raise BadPseudonymKey(
                f"the key file {file} can be written by anybody; take that right away (mode 0400 or 0600)"
            )
        try:
            key = file.read_bytes()
        except OSError as error:
            raise BadPseudonymKey(f"the key file cannot be read: {error.strerror}") from None
    else:
        found = os.environ.get(variable or "")
        if found is None:
            raise BadPseudonymKey(f"the environment has no {variable}")
        key = found.encode()
    return Pseudonyms(key.rstrip(b"\r\n"))
