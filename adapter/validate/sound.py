"""What was looked at once and need not be looked at again: concepts and codings, and references that are repeated.

The resources of one source say the same few hundred concepts over and over. A CodeableConcept, a Coding or a Meta is
judged by its element, its own content and the packages in force alone: one that stood in a resource without any
problem is sound wherever the same element holds the same again. Within one Bundle so is a plain Reference: two
hundred Observations have one subject. Where the first has a problem, all are looked at, so that each is told.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

import orjson

Asking = Mapping[str, Callable[[str, str, Mapping[str, Any]], bool]]
"""By the type of an object, whether it need not be looked at: asked of its holder's type, its name there and it."""

_LONGEST, _MOST = 2_000, 10_000
_DEPENDENT = (b'"extension"', b'"_', b'"id"')  # what may lead out of it


class Sound:
    """What one validator found sound (``known``), and what one resource holds besides; bounded, some megabytes.

    ``each``: every reference is looked at, though another says the same.
    """

    types = frozenset({"CodeableConcept", "Coding", "Meta"})
    """The types that are kept: those that refer to nothing."""

    def __init__(self, known: set[bytes], *, each: bool = False) -> None:
        self._known = known
        self._seen: list[bytes] = []
        self._each = each
        self._references: set[tuple[str, str, str]] = set()
        self._repeated: set[str] = set()

    def asking(self) -> Asking:
        """What is asked of the objects of a type before they are looked at."""
        asked = dict.fromkeys(self.types, self.has)
        return asked if self._each else {**asked, "Reference": self.repeats}

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

    def repeats(self, type_name: str, name: str, value: Mapping[str, Any]) -> bool:
        """Whether the element ``name`` of the type held the same Reference before, in this resource. One that leads
        into the resource around it (``#id``) depends on where it stands."""
        reference = value.get("reference")
        if len(value) != 1 or type(reference) is not str or reference[:1] == "#":
            return False
        key = (type_name, name, reference)
        if key in self._references:
            self._repeated.add(f".{name}")
            return True
        self._references.add(key)
        return False

    def passed_over(self, places: Iterable[str]) -> bool:
        """Whether a problem at one of these places may be that of a reference that was passed over as well."""
        return any(name in place for place in places for name in self._repeated)

    def learn(self) -> None:
        """The resource had no problem: so had nothing that was kept in mind."""
        if len(self._known) < _MOST:
            self._known.update(
                key for key in self._seen if len(key) <= _LONGEST and not any(mark in key for mark in _DEPENDENT)
            )
