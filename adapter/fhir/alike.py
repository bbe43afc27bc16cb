"""Observations that differ only in what is an exam's own, written once as a pattern with slots.

An exam's own are the name, the time, the number, and whom it is about and by. The mapping makes the first such
Observation; all others are copies of it, or of its bytes, with their own content in the slots.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from decimal import Decimal
from operator import itemgetter
from typing import NamedTuple

from adapter.fhir.identity import Name, in_url
from adapter.fhir.json import Json, Written, decimal_text, dumps

_PLAIN = re.compile(r"[A-Za-z0-9._~/-]*")
_SHARED = ("subject", "encounter", "effectiveDateTime", "performer")  # they stand side by side
_SLOT = "\0{}\0"  # no text of a catalogue or an exam holds the character
_MARK = re.compile(
    rb'"subject":"\\u0000(shared).*?"performer":"\\u0000performer\\u0000"'
    rb'|"\\u0000(number)\\u0000"|\\u0000(uuid|value|token)\\u0000'
)


class Own(NamedTuple):
    """What all Observations of one exam share: whom they are about, and by.

    ``started`` is the time of a finding that has none of its own; ``written`` all of it in JSON, as it stands in such
    an Observation. ``kind`` and ``entry`` make the entry of a resource in a bundle of that kind.
    """

    subject: Json
    encounter: Json
    performer: list[Json]
    started: str
    status: str
    kind: str
    entry: Callable[[Name, Json], Json]
    written: bytes = b""

    def ready(self) -> Own:
        """The same with what is written."""
        return self._replace(written=self.at(self.started))

    def at(self, effective: str) -> bytes:
        """What stands in an Observation of a finding made at this time."""
        if effective is self.started and self.written:
            return self.written
        shared = zip(_SHARED, (self.subject, self.encounter, effective, self.performer), strict=True)
        return dumps(dict(shared))[1:-1]


class Pattern(NamedTuple):
    """The bytes of an entry with ``%b`` in its slots, and a function that takes the slots' content in their order."""

    text: bytes
    order: Callable[[dict[bytes, bytes]], Sequence[bytes]]


class Alike:
    """What Observations have in common: the first of them with its slots marked, and its patterns as an entry.

    ``measured``: the digits of its one number are an Observation's own.
    """

    __slots__ = ("content", "measured", "patterns")

    def __init__(self, first: Json, measured: bool) -> None:
        system = first["identifier"][0]["system"]
        self.measured = measured
        self.content = first | {
            "identifier": [{"system": system, "value": _SLOT.format("value")}],
            **{name: _SLOT.format(name) for name in _SHARED},
            "subject": _SLOT.format("shared"),
        }
        if measured:
            self.content["valueQuantity"] = first["valueQuantity"] | {"value": _SLOT.format("number")}
        self.patterns: dict[str, Pattern] = {}

    def filled(self, name: Name, effective: str, number: Decimal | None, own: Own) -> Json:
        """One of the Observations."""
        resource = self.content.copy()
        resource["identifier"] = [{"system": name.system, "value": name.value}]
        resource["subject"] = own.subject
        resource["encounter"] = own.encounter
        resource["effectiveDateTime"] = effective
        resource["performer"] = own.performer
        if self.measured:
            resource["valueQuantity"] = resource["valueQuantity"] | {"value": number}
        return resource

    def pattern(self, name: Name, own: Own) -> Pattern:
        """The bytes of an entry in a bundle of a kind; ``name`` is that of any of the Observations."""
        marked = name._replace(uuid=_SLOT.format("uuid"), value=_SLOT.format("value"))
        text = dumps(own.entry(marked, self.content))
        text = text.replace(b"%00value%00", b"\\u0000token\\u0000").replace(b"%", b"%%")
        order = [found[found.lastindex or 0] for found in _MARK.finditer(text)]
        made = self.patterns[own.kind] = Pattern(_MARK.sub(b"%b", text), itemgetter(*order))
        return made


class Made(Written):
    """One of Observations that are alike, only to be written, as the entry of a bundle: what stands in its slots."""

    __slots__ = ("alike", "effective", "name", "number", "own")

    def __init__(self, alike: Alike, name: Name, effective: str, number: Decimal | None, own: Own) -> None:
        self.alike, self.name, self.effective, self.number, self.own = alike, name, effective, number, own

    def written(self) -> bytes:
        """The entry as JSON."""
        own, name = self.own, self.name
        _, uuid, _, value = name
        if _PLAIN.fullmatch(value):
            plain = value.encode()
            token = plain.replace(b"/", b"%2F")
        else:
            plain, token = dumps(value)[1:-1], in_url(value).encode()
        slots = {b"uuid": uuid.encode(), b"value": plain, b"token": token, b"shared": own.at(self.effective)}
        if self.number is not None:
            slots[b"number"] = decimal_text(self.number).encode()
        text, order = self.alike.patterns.get(own.kind) or self.alike.pattern(name, own)
        return text % order(slots)
