"""Where a site asks for all the words of a receiver, what is known to be a person's is taken out all the same.

So is anything that looks like a token. Ids of exams, items and resources stay: without them nobody could act on a
message. Where nothing is asked for, only what :mod:`adapter.send.words` lets through is there in the first place.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from adapter.problems import Problem, Severity

_TOKENS = re.compile(r"(?i)\bbearer\s+\S+|\beyJ[\w-]{8,}(?:\.[\w-]+){0,2}|\b(?:access_token|client_secret)\W+\S+")
_LONGEST = 500
_GONE = "[…]"


class Redaction:
    """Knows which ``words`` of a message must not be repeated."""

    def __init__(self, words: Iterable[str]) -> None:
        # The longest first, so that no part of one is left over.
        private = sorted((re.escape(text) for text in set(words) if len(text) > 2), key=len, reverse=True)
        self._private = re.compile("|".join(private)) if private else None

    def clean(self, problem: Problem) -> Problem:
        """The problem without what is a person's."""
        what, where = self._clean(problem.what), self._clean(problem.where)
        return replace(problem, what=what[:_LONGEST], where=where[:_LONGEST])

    def remarks(self, found: Iterable[Problem]) -> tuple[Problem, ...]:
        """What is worth keeping of a receiver's remarks: no mere information."""
        return tuple(self.clean(one) for one in found if one.severity is not Severity.INFORMATION)

    def _clean(self, text: str) -> str:
        text = without_tokens(text)
        return self._private.sub(_GONE, text) if self._private else text


def without_tokens(text: str) -> str:
    """The text without anything that looks like a token or a secret."""
    return _TOKENS.sub(_GONE, text)
