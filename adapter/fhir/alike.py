"""Observations that differ only in what is an exam's own, written once as a pattern with slots.

What an exam's own is: the name, the time, and whom it is about and by. The mapping makes the first such Observation;
all others are copies of it, or of its bytes, with their own content in the slots.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from operator import itemgetter
from typing import Any, NamedTuple

from adapter.fhir.identity import Name, in_url
from adapter.fhir.json import Written, dumps

Json = dict[str, Any]

_PLAIN = re.compile(r"[A-Za-z0-9._~/-]*")
_SHARED = ("subject", "encounter", "effectiveDateTime", "performer")  # they stand side by side
_SLOT = "\0{}\0"  # no text of a catalogue or an exam holds the character
_MARK = re.compile(rb'"subject":"\\u0000(shared).*?"performer":"\\u0000performer\\u0000"|\\u0000(uuid|value|token)\\u0000')


class Own(NamedTuple):
    """What all Observations of one exam share: whom they are about, and by.

    ``started`` is the time of a finding that has none of its own; ``written`` all of it in JSON, as it stands in such
    an Observation.
    """

    subject: Json
    encounter: Json
    performer: list[Json]
    started: str
    written: bytes

    @classmethod
    def of(cls, subject: Json, encounter: Json, performer: list[Json], started: str) -> Own:
        """From the parts of an Observation."""
        own = cls(subject, encounter, performer, started, b"")
        return own._replace(written=own.at(started))

    def at(self, effective: str) -> bytes:
        """What stands in an Observation of a finding made at another time."""
        shared = zip(_SHARED, (self.subject, self.encounter, effective, self.performer), strict=True)
        return dumps(dict(shared))[1:-1]


class Pattern(NamedTuple):
    """The bytes of an entry with ``%b`` in its slots, and a function that takes the slots' content in their order."""

    text: bytes
    order: Callable[[dict[bytes, bytes]], Sequence[bytes]]


class Alike:
    """What Observations have in common: the first of them with its slots marked, and its pattern as an entry.

    There is a pattern for each kind of bundle.
    """

    __slots__ = ("content", "patterns")

    def __init__(self, first: Json) -> None:
        system = first["identifier"][0]["system"]
        self.content = first | {
            "identifier": [{"system": system, "value": _SLOT.format("value")}],
            **{name: _SLOT.format(name) for name in _SHARED},
            "subject": _SLOT.format("shared"),
        }
        self.patterns: dict[str, Pattern] = {}

    def filled(self, name: Name, effective: str, own: Own) -> Json:
        """One of the Observations."""
        resource = self.content.copy()
        resource["identifier"] = [{"system": name.system, "value": name.value}]
        resource["subject"] = own.subject
        resource["encounter"] = own.encounter
        resource["effectiveDateTime"] = effective
        resource["performer"] = own.performer
        return resource


class Made:
    """One of Observations that are alike, only to be written: what stands in its slots."""

    __slots__ = ("alike", "effective", "name", "own")

    def __init__(self, alike: Alike, name: Name, effective: str, own: Own) -> None:
        self.alike, self.name, self.effective, self.own = alike, name, effective, own


class MadeEntry(Written):
    """The entry of such an Observation in a bundle."""

    __slots__ = ("made", "pattern")

    def __init__(self, pattern: Pattern, made: Made) -> None:
        self.pattern, self.made = pattern, made

    def written(self) -> bytes:
        """The entry as JSON."""
        made, own = self.made, self.made.own
        _, uuid, _, value = made.name
        if _PLAIN.fullmatch(value):
            plain = value.encode()
            token = plain.replace(b"/", b"%2F")
        else:
            plain, token = dumps(value)[1:-1], in_url(value).encode()
        shared = own.written if made.effective is own.started else own.at(made.effective)
        text, order = self.pattern
        slots = order({b"uuid": uuid.encode(), b"value": plain, b"token": token, b"shared": shared})
        return text % slots


def marked(name: Name) -> Name:
    """The name with slots in place of what is its own."""
    return name._replace(uuid=_SLOT.format("uuid"), value=_SLOT.format("value"))


def pattern(entry: Json) -> Pattern:
    """The pattern of an entry made from a marked name and marked content."""
    text = dumps(entry).replace(b"%00value%00", b"\\u0000token\\u0000").replace(b"%", b"%%")
    order = [found[1] or found[2] for found in _MARK.finditer(text)]
    return Pattern(_MARK.sub(b"%b", text), itemgetter(*order))
