"""Coded elements, identifiers and names of HL7 v2.5.1 from their FHIR forms: CE and CWE, CX, XCN, XPN, HD, EI."""

from __future__ import annotations

from collections.abc import Iterable

from adapter.catalogue import Authority, Catalogue
from adapter.catalogue.v2 import OrderingProvider
from adapter.exam import Examiner, Identifier, Mother, Named, Newborn
from adapter.fhir.json import Json
from adapter.fhir.parts import written_unit
from adapter.v2.er7 import joined, text


class Coder:
    """Writes coded values as one site has them."""

    def __init__(self, catalogue: Catalogue) -> None:
        self._catalogue, self._settings = catalogue, catalogue.v2
        self._names = {system.uri: id_ for id_, system in catalogue.systems.items() if not system.own}
        self._own = {catalogue.uri(id_): id_ for id_, system in catalogue.systems.items() if system.own}

    def concept(self, concept: Json, words: str | None = None, prefix: str = "") -> str:
        """A CodeableConcept as CE or CWE: the first published coding and ours (map CWE[CodeableConcept] reversed).

        ``words`` stand for the text of our coding; ``prefix`` before its code.
        """
        published = next((c for c in concept.get("coding", []) if c["system"] in self._names), None)
        own = self.own_coding(concept)
        label = words or concept.get("text") or (own or {}).get("display", "")
        ours = self.ours(f"{prefix}{own['code']}", label) if own else []
        theirs = self._triple(published) if published else []
        return self.pair(theirs, ours) or joined(["", text(label)])

    def own_coding(self, concept: Json) -> Json | None:
        """The coding of the project's own in a concept."""
        return next((c for c in concept.get("coding", []) if c["system"] in self._own), None)

    def pair(self, theirs: list[str], ours: list[str]) -> str:
        """Two encoded triples in the order that the site has chosen."""
        if self._settings.own_codes == "only" and ours:
            theirs = []
        first, second = (ours, theirs) if self._settings.own_codes == "first" else (theirs, ours)
        return joined([*first, *second] if first else second)

    def ours(self, code: str, label: str) -> list[str]:
        """A code of the project's own."""
        return [text(code), text(label), self._settings.own_system]

    def _triple(self, coding: Json) -> list[str]:
        system = self._names[coding["system"]]
        return [text(coding["code"]), text(coding.get("display", "")), self._settings.systems.get(system, "L")]

    def unit(self, quantity: Json) -> str:
        """The unit of a Quantity: UCUM code, and as text how it was written (OBX-6; map CWE[Quantity])."""
        written = text(written_unit(quantity, self._catalogue))
        return joined([text(quantity["code"]), written, self._settings.systems.get("ucum", "UCUM")])

    def identifiers(self, given: Iterable[Identifier], usual: str) -> str:
        """Business identifiers as CX, one a repetition; ``usual`` is the type (table 0203) if the site has none."""
        return joined([self.identifier(one, usual) for one in given], "~")

    def identifier(self, given: Identifier, usual: str) -> str:
        """One identifier as CX."""
        authority, kind = self.authority(given)
        return joined([text(given.value), "", "", designator(authority, "&"), text(kind or usual)])

    def authority(self, given: Identifier) -> tuple[Authority, str | None]:
        """Who assigned an identifier, and its type (table 0203) where the site says it, in v2.yaml or site.yaml."""
        system = self._catalogue.resolve(given).system
        authority = self._settings.authority(system, self._catalogue.short_name(system))
        kind = self._catalogue.kind_of(system)
        return authority, authority.type or (kind.type if kind else None)

    def performed(self) -> dict[int, str]:
        """Who is responsible for the results: OBX-23 (XON) and OBX-24 (XAD), where the site says it."""
        who = self._settings.performing_organisation
        if who is None:
            return {}
        one = who if who.name else self._catalogue.settings.organisation
        fields = {23: text((one and one.name) or "")}
        if one is not None and one.identifier is not None:
            authority, kind = self.authority(one.identifier)
            parts = [fields[23], "", "", "", "", designator(authority, "&"), text(kind or who.type), "", ""]
            fields[23] = joined([*parts, text(one.identifier.value)])
        if who.address is not None:
            of = who.address
            lines = (of.street, of.other, of.city, of.state, of.postal_code, of.country, of.type)
            fields[24] = joined([text(line or "") for line in lines])
        return fields

    def observer(self, examiner: Examiner | OrderingProvider) -> str:
        """Who examined or ordered, as XCN (section 2A.86); a name not taken apart stands whole as family name."""
        parts = [""] * 15
        parts[1:6] = _name(examiner) if examiner.has_parts else [text(examiner.name or ""), *[""] * 4]
        if examiner.identifier is not None:
            authority, kind = self.authority(examiner.identifier)
            parts[0], parts[8] = text(examiner.identifier.value), designator(authority, "&")
            parts[12] = text(kind or "")
        if examiner.has_parts:
            parts[14] = _APART
            line = joined(["", text(examiner.name), *[""] * 7, _DISPLAY]) if examiner.name else ""
            return joined([joined(parts), *([line] if line else [])], "~")
        return joined(parts)


_DISPLAY = "D"
"""A name as it is displayed (table 0200)."""
_APART = "A"
"""That a name was taken apart (name representation code, table 0465): without it, XPN.1 is all that is known."""


def xpn(person: Newborn | Mother, name_type: str) -> str:
    """A person's name as XPN (section 2A.88): whole in XPN.1, or in parts, and then the line in a repetition."""
    if not person.has_parts:
        return joined([text(person.name or ""), "", "", "", "", "", name_type])
    apart = joined([*_name(person), "", name_type, _APART])
    return f"{apart}~{joined([text(person.name), *[''] * 5, _DISPLAY])}" if person.name else apart


def _name(person: Named) -> list[str]:
    """Family name, first given name, further ones, suffix, prefix: XPN.1 to XPN.5, and XCN.2 to XCN.6."""
    first, _, further = (person.given or "").partition(" ")
    return [text(person.family or ""), text(first), text(further), "", text(person.prefix or "")]


def designator(authority: Authority, by: str = "^") -> str:
    """HD: namespace, universal id, its type."""
    return joined([text(part or "") for part in (authority.namespace, authority.id, authority.id_type)], by)
