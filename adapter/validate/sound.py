"""Concepts and codings that were found sound once, so that the same ones need not be looked at again.

The resources of one source say the same few hundred concepts over and over. A CodeableConcept, a Coding or a Meta is
judged by its element, its own content and the packages in force alone: one that stood in a resource without any
problem is sound wherever the same element holds the same again.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import orjson

_LONGEST, _MOST = 2_000, 10_000
_DEPENDENT = (b'"extension"', b'"_', b'"id"')  # what may lead out of it


class Sound:
    """What one validator found sound (``known``), and what one resource holds besides; bounded, some megabytes."""

    types = frozenset({"CodeableConcept", "Coding", "Meta"})
    """The types that are kept: those that refer to nothing."""

    def __init__(self, known: set[bytes]) -> None:
        self._known = known
        self._seen: list[bytes] = []

    def has(self, type_name: str, name: str, value: Mapping[str, Any]) -> bool:
        """Whether the element ``name`` of the type is sound with this value; if not, it is kept in mind."""
        try:
            key = orjson.dumps((type_name, name, value))
        except TypeError:  # a number or a name that is none of JSON's
            return False
        if key in self._known:
            return True
        self._seen.append(key)
        return False

    def learn(self) -> None:
        """The resource had no problem: so had nothing that was kept in mind."""
        if len(self._known) < _MOST:
            self._known.update(
                key for key in self._seen if len(key) <= _LONGEST and not any(mark in key for mark in _DEPENDENT)
            )
