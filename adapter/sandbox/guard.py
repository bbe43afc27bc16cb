"""Asking for a bearer token, so that authorisation can be rehearsed (RFC 6750, The OAuth 2.0 Bearer Token Usage)."""

from __future__ import annotations

import hmac
from pathlib import Path

from adapter.sandbox.refusal import Refusal


class Guard:
    """Lets a request in that bears a token of ``token_file``, or any where there is no such file to go by.

    The file holds one token a line. It is read anew for each request: a token taken out of it has expired.
    """

    def __init__(self, token_file: Path | None) -> None:
        self._file = token_file

    def check(self, authorization: str) -> None:
        """Raise :class:`Refusal` 401 unless the Authorization header bears a token that is valid now."""
        if self._file is None:
            return
        scheme, _, token = authorization.strip().partition(" ")
        if scheme.lower() != "bearer" or not token:
            raise _refused("Bearer", "this server wants a bearer token in the header Authorization")
        if not any(hmac.compare_digest(token.strip().encode(), known) for known in self._tokens(self._file)):
            raise _refused('Bearer error="invalid_token"', "the bearer token is not valid, or not any more")

    def _tokens(self, path: Path) -> list[bytes]:
        try:
            return path.read_bytes().split()
        except OSError:
            return []  # tokens that cannot be read let nobody in


def _refused(challenge: str, what: str) -> Refusal:
    # RFC 6750, section 3: the challenge; a request without any token is not told that one was wrong.
    return Refusal(401, "login", what, headers={"WWW-Authenticate": challenge})
