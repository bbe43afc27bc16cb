"""Templates of Observations: one is kept for each form, with slots for what is an exam's own.

Findings of one form (:class:`adapter.derive.finding.Form`) are written alike but for the name, the time, the number,
and whom they are about and by: these are the slots. The mapping makes the first Observation of a form; all others are
copies of it, or of its bytes, with their own content in the slots. The form is the key, whole, so that no Observation
can take over what another finding says.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from decimal import Decimal
from operator import itemgetter
from typing import NamedTuple, final

from adapter.fhir.identity import Name, in_url
from adapter.fhir.json import Json, Written, decimal_text, dumps

_PLAIN = re.compile(r"[A-Za-z0-9._~/-]*")
_SHARED = ("subject", "encounter", "effectiveDateTime", "performer")  # they stand side by side
_SLOT = "\0{}\0"  # no text of a catalogue or an exam holds the character
_MARK = re.compile(
    rb'"subject":"\\u0000(shared).*?"performer":"\\u0000performer\\u0000"'
    rb'|"\\u0000(number)\\u0000"|\\u0000(uuid|value|token)\\u0000'
)


class ExamReferences(NamedTuple):
    """What all Observations of one exam share: references to whom they are about, and by.

    ``started`` is the time of a finding that has none of its own; ``written`` all of it in JSON, as it stands in such
    an Observation. ``kind`` and ``entry`` make the entry of a resource in a bundle of that kind.
    """

    subject: Json
    encounter: Json
    performer: list[Json]
    started: str
    kind: str
    entry: Callable[[Name, Json], Json]
    written: bytes = b""

    def ready(self) -> ExamReferences:
        """The same with what is written."""
        return self._replace(written=self.at(self.started))

    def at(self, effective: str) -> bytes:
        """What stands in an Observation of a finding made at this time."""
        if effective is self.started and self.written:
            return self.written
        shared = zip(_SHARED, (self.subject, self.encounter, effective, self.performer), strict=True)
        return dumps(dict(shared))[1:-1]


class Pattern(NamedTuple):
    """An entry's bytes, what is fixed and a slot in turn; and a function that puts the slots' content in order."""

    pieces: list[bytes]
    order: Callable[[dict[bytes, bytes]], Sequence[bytes]]


class ObservationTemplate:
    """The Observation of a form with its slots marked, and its patterns as an entry of a bundle.

    ``measured``: it has a slot for a number.
    """

    __slots__ = ("content", "measured", "patterns")

    def __init__(self, first: Json) -> None:
        system = first["identifier"][0]["system"]
        self.measured = "valueQuantity" in first
        self.content = first | {
            "identifier": [{"system": system, "value": _SLOT.format("value")}],
            **{name: _SLOT.format(name) for name in _SHARED},
            "subject": _SLOT.format("shared"),
        }
        if self.measured:
            self.content["valueQuantity"] = first["valueQuantity"] | {"value": _SLOT.format("number")}
        self.patterns: dict[str, Pattern] = {}

    def filled(self, name: Name, effective: str, number: Decimal | None, references: ExamReferences) -> Json:
        """An Observation with this content in its slots."""
        resource = self.content.copy()
        resource["identifier"] = [{"system": name.system, "value": name.value}]
        resource["subject"] = references.subject
        resource["encounter"] = references.encounter
        resource["effectiveDateTime"] = effective
        resource["performer"] = references.performer
        if number is not None:
            resource["valueQuantity"] = resource["valueQuantity"] | {"value": number}
        return resource

    def pattern(self, name: Name, references: ExamReferences) -> Pattern:
        """The bytes of an entry in a bundle of the kind; ``name`` is that of any Observation of the form."""
        marked = name._replace(uuid=_SLOT.format("uuid"), value=_SLOT.format("value"))
        text = dumps(references.entry(marked, self.content)).replace(b"%00value%00", b"\\u0000token\\u0000")
        pieces, order, end = list[bytes](), list[bytes](), 0
        for found in _MARK.finditer(text):
            pieces += text[end : found.start()], b""
            order.append(found[found.lastindex or 0])
            end = found.end()
        pieces.append(text[end:])
        made = self.patterns[references.kind] = Pattern(pieces, itemgetter(*order))
        return made


@final
class TemplatedEntry(Written):
    """What stands in the slots of an Observation that has a template; as the entry of a bundle it writes itself.

    The slots are its name, its time, its number where it has one, and the exam's references.
    """

    __slots__ = ("effective", "name", "number", "references", "template")

    def __init__(
        self,
        template: ObservationTemplate,
        name: Name,
        effective: str,
        number: Decimal | None,
        references: ExamReferences,
    ) -> None:
        self.template, self.name, self.effective = template, name, effective
        self.number, self.references = number, references

    def written(self) -> bytes:
        """The entry as JSON."""
        return b"".join(self.pieces())

    def pieces(self) -> list[bytes]:
        """The entry as JSON, in pieces that follow each other."""
        references, name = self.references, self.name
        _, uuid, _, value = name
        if _PLAIN.fullmatch(value):
            plain = value.encode()
            token = plain.replace(b"/", b"%2F")
        else:
            plain, token = dumps(value)[1:-1], in_url(value).encode()
        slots = {b"uuid": uuid.encode(), b"value": plain, b"token": token, b"shared": references.at(self.effective)}
        if self.number is not None:
            slots[b"number"] = decimal_text(self.number).encode()
        fixed, order = self.template.patterns.get(references.kind) or self.template.pattern(name, references)
        pieces = fixed.copy()
        pieces[1::2] = order(slots)
        return pieces
