"""What a server says may repeat what it was sent: before it is kept or shown, what is a person's is taken out.

Taken out are the names, identifiers, notes and free texts of the bundle, and anything that looks like a
token. Ids of exams, items and resources stay: without them nobody could act on a message.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from adapter.problems import Problem, Severity
from adapter.send.answers import EntryOutcome

_TOKENS = re.compile(r"(?i)\bbearer\s+\S+|\beyJ[\w-]{8,}(?:\.[\w-]+){0,2}|\b(?:access_token|client_secret)\W+\S+")
_PEOPLE = frozenset({"Patient", "RelatedPerson", "Practitioner"})
_LONGEST = 500
_GONE = "[…]"


class Discretion:
    """Knows what of a bundle, or which ``words`` besides, must not be repeated."""

    def __init__(self, bundle: dict[str, Any], words: Iterable[str] = ()) -> None:
        found = {text for entry in bundle.get("entry", []) for text in _private(entry["resource"])} | set(words)
        # The longest first, so that no part of one is left over.
        words = sorted((re.escape(text) for text in found if len(text) > 2), key=len, reverse=True)
        self._private = re.compile("|".join(words)) if words else None

    def clean(self, problem: Problem) -> Problem:
        """The problem without what is a person's."""
        what, where = self._clean(problem.what), self._clean(problem.where)
        return replace(problem, what=what[:_LONGEST], where=where[:_LONGEST])

    def outcomes(self, found: Sequence[EntryOutcome]) -> list[EntryOutcome]:
        """Outcomes of entries with what is worth keeping of the server's remarks: no mere information."""
        return [
            replace(one, outcome_problems=tuple(self.clean(p) for p in one.outcome_problems if _matters(p)))
            if one.outcome_problems
            else one
            for one in found
        ]

    def _clean(self, text: str) -> str:
        text = without_tokens(text)
        return self._private.sub(_GONE, text) if self._private else text


def _matters(problem: Problem) -> bool:
    return problem.severity is not Severity.INFORMATION


def without_tokens(text: str) -> str:
    """The text without anything that looks like a token or a secret."""
    return _TOKENS.sub(_GONE, text)


def _private(resource: dict[str, Any]) -> Iterator[str]:
    if resource["resourceType"] in _PEOPLE:
        for identifier in resource.get("identifier", []):
            yield identifier["value"]
        for name in resource.get("name", []):
            yield name.get("text", "")
        yield resource.get("birthDate", "")
        return
    for performer in resource.get("performer", []):
        yield performer.get("display", "")
    for note in resource.get("note", []):
        yield note.get("text", "")
    for key in ("valueString", "conclusion"):
        yield resource.get(key, "")
    for line in resource.get("payload", []):
        yield line.get("contentString", "")
    concept = resource.get("valueCodeableConcept", {})
    if "coding" not in concept:
        yield concept.get("text", "")
