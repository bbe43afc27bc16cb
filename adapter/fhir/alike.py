"""Observations that differ only in what is an exam's own, written once as a pattern with slots.

What an exam's own is: the name, the time, and whom it is about and by. The mapping makes the first such Observation;
all others are copies of it, or of its bytes, with their own content in the slots.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

from adapter.fhir.identity import Name, in_url
from adapter.fhir.json import Written, dumps

Json = dict[str, Any]

_PLAIN = re.compile(r"[A-Za-z0-9._~/-]*")
_SLOT = "\0{}\0"  # no text of a catalogue or an exam holds the character
_IN_TEXT = re.compile(rb"\\u0000(uuid|value|token)\\u0000")
_IN_PLACE_OF_A_VALUE = re.compile(rb'"\\u0000(subject|encounter|effective|performer)\\u0000"')


class Own(NamedTuple):
    """What all Observations of one exam share; ``slots`` is the same as bytes.

    ``started`` is the time of a finding that has none of its own.
    """

    subject: Json
    encounter: Json
    performer: list[Json]
    started: str
    slots: dict[bytes, bytes]

    @classmethod
    def of(cls, subject: Json, encounter: Json, performer: list[Json], started: str) -> Own:
        """From the parts of an Observation."""
        slots = {
            b"subject": dumps(subject),
            b"encounter": dumps(encounter),
            b"performer": dumps(performer),
            b"effective": dumps(started),
        }
        return cls(subject, encounter, performer, started, slots)


class Alike:
    """What Observations have in common: the first of them with its slots marked, and its bytes as an entry.

    ``patterns`` has the bytes for each kind of bundle, for the operator ``%``.
    """

    __slots__ = ("content", "patterns")

    def __init__(self, first: Json) -> None:
        system = first["identifier"][0]["system"]
        self.content = first | {
            "identifier": [{"system": system, "value": _SLOT.format("value")}],
            **{name: _SLOT.format(name) for name in ("subject", "encounter", "performer")},
            "effectiveDateTime": _SLOT.format("effective"),
        }
        self.patterns: dict[str, bytes] = {}

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

    def __init__(self, pattern: bytes, made: Made) -> None:
        self.pattern, self.made = pattern, made

    def written(self) -> bytes:
        """The entry as JSON."""
        made, own = self.made, self.made.own
        _, uuid, _, value = made.name
        slots = own.slots
        if made.effective is not own.started:
            slots = slots | {b"effective": dumps(made.effective)}
        slots[b"uuid"] = uuid.encode()
        if _PLAIN.fullmatch(value):
            slots[b"value"] = plain = value.encode()
            slots[b"token"] = plain.replace(b"/", b"%2F")
        else:
            slots[b"value"] = dumps(value)[1:-1]
            slots[b"token"] = in_url(value).encode()
        return self.pattern % slots


def marked(name: Name) -> Name:
    """The name with slots in place of what is its own."""
    return name._replace(uuid=_SLOT.format("uuid"), value=_SLOT.format("value"))


def pattern(entry: Json) -> bytes:
    """The bytes of an entry made from a marked name and marked content, for the operator ``%``."""
    text = dumps(entry).replace(b"%00value%00", b"\\u0000token\\u0000").replace(b"%", b"%%")
    return _IN_TEXT.sub(rb"%(\1)b", _IN_PLACE_OF_A_VALUE.sub(rb"%(\1)b", text))
