"""Who is who: stable ids and business identifiers, so that sending an exam twice changes nothing.

Every id is a UUIDv5 (RFC 9562, section 5.5) of the site's namespace and a name built from business
identifiers: an Observation's from its exam and item, a Patient's from the newborn's own first identifier, so
that two exams of one newborn speak of one Patient. An amendment keeps the names of the exam it amends.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from functools import lru_cache
from hashlib import sha1
from typing import Any, NamedTuple
from urllib.parse import quote
from uuid import UUID

from adapter import SOFTWARE, __version__
from adapter.catalogue import Catalogue
from adapter.derive import Computed
from adapter.exam import Exam, Finding, Identifier

_PLAIN = re.compile(r"[A-Za-z0-9._~/-]*")
_SEARCH_MARKS = re.compile(r"[\\,$|]")


class Name(NamedTuple):
    """A resource's type, its UUID, and the business identifier it is found by."""

    resource_type: str
    uuid: str
    system: str
    value: str

    @property
    def full_url(self) -> str:
        """The ``urn:uuid:`` form (FHIR R4 Bundle, section 2.36.4)."""
        return f"urn:uuid:{self.uuid}"

    @property
    def identifier(self) -> dict[str, Any]:
        """As FHIR Identifier."""
        return {"system": self.system, "value": self.value}


class Series:
    """The names of one resource type in one identifier system.

    Their UUIDs are those of :func:`uuid.uuid5` for ``type|system|value``, whose beginning is hashed only once.
    """

    def __init__(self, namespace: UUID, resource_type: str, system: str) -> None:
        self._resource_type, self._system = resource_type, system
        self._begun = sha1(namespace.bytes + f"{resource_type}|{system}|".encode(), usedforsecurity=False)

    def name(self, value: str) -> Name:
        """The name that has this value: the hash of it, with version and variant set (RFC 9562, section 5.5)."""
        hashed = self._begun.copy()
        hashed.update(value.encode())
        text = hashed.hexdigest()
        uuid = f"{text[:8]}-{text[8:12]}-5{text[13:16]}-{_VARIANT[text[16]]}{text[17:20]}-{text[20:32]}"
        # As Name(..), in half the time: one is made for every finding.
        return tuple.__new__(Name, (self._resource_type, uuid, self._system, value))


_VARIANT = {digit: "89ab"[int(digit, 16) % 4] for digit in "0123456789abcdef"}


def escaped(text: str) -> str:
    """Text inside a search parameter, its own commas, bars and dollars marked (R4 Search, escaping)."""
    return _SEARCH_MARKS.sub(r"\\\g<0>", text)


def search_token(system: str, value: str) -> str:
    """An identifier as a token parameter, ``system|value`` (R4 Search, section 3.1.1.4.10)."""
    return f"{escaped(system)}|{escaped(value)}"


def in_url(text: str) -> str:
    """Part of a token parameter in a URL: FHIR's own escapes, then the URL's."""
    return text.replace("/", "%2F") if _PLAIN.fullmatch(text) else _in_url(text)


@lru_cache(maxsize=1024)
def _in_url(text: str) -> str:
    return quote(escaped(text), safe="")


Refer = Callable[[Name], dict[str, Any]]


def by_full_url(name: Name) -> dict[str, Any]:
    """A reference inside a transaction, collection or document bundle."""
    return {"reference": f"urn:uuid:{name.uuid}"}


def by_id(name: Name) -> dict[str, Any]:
    """A reference between stored resources, relative to the server's base."""
    return {"reference": f"{name.resource_type}/{name.uuid}"}


def by_identifier(name: Name) -> dict[str, Any]:
    """A logical reference (FHIR R4 Reference.identifier), for batches, whose entries may not refer to each other."""
    return {"type": name.resource_type, "identifier": name.identifier}


class Identity:
    """The names of everything that one exam becomes."""

    def __init__(self, exam: Exam, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self._root = exam.details.root
        self._observation = _own(catalogue, "Observation", "observation").name
        self.newborn = catalogue.resolve(exam.newborn.identifiers[0])
        self._seen: dict[str, int] = {}
        self._told: Counter[str] = Counter()

    def patient(self) -> Name:
        """The newborn."""
        return self._known("Patient", self.newborn)

    def mother(self) -> Name:
        """The mother as RelatedPerson of this newborn: named after the newborn, since she may have others."""
        return self._own("RelatedPerson", "related-person", f"mother-of/{self.patient().uuid}")

    def practitioner(self, identifier: Identifier) -> Name:
        """An examiner who has an identifier."""
        return self._known("Practitioner", self._catalogue.resolve(identifier))

    def encounter(self, identifier: Identifier | None) -> Name:
        """The ward's own Encounter where it has been named, else one for this exam."""
        if identifier is not None:
            return self._known("Encounter", self._catalogue.resolve(identifier))
        return self._own("Encounter", "encounter", self._root)

    def organisation(self, identifier: Identifier) -> Name:
        """The site's own organisation."""
        return self._known("Organization", self._catalogue.resolve(identifier))

    def device(self) -> Name:
        """This software in this version."""
        version = f"{SOFTWARE}/{__version__}/{self._catalogue.settings.version}"
        return self._own("Device", "device", version)

    def report(self) -> Name:
        """The DiagnosticReport, found by the exam's id."""
        return self._own("DiagnosticReport", "exam", self._root)

    def composition(self) -> Name:
        """The Composition, the same for every version of the exam."""
        return self._own("Composition", "document", self._root)

    def document(self, version: str) -> Name:
        """The document Bundle of one version of the exam."""
        return self._own("Bundle", "document-version", version)

    def provenance(self, version: str) -> Name:
        """The Provenance of one version of the exam."""
        return self._own("Provenance", "provenance", version)

    def request(self, urgency: str) -> Name:
        """The CommunicationRequest of one urgency."""
        return self._own("CommunicationRequest", "tell", f"{self._root}/{urgency}")

    def telling(self, line: str) -> Name:
        """The Communication of a telling: exam/line[/n], n from 2 on where a line was told again."""
        value = f"{self._root}/{line}"
        self._told[value] += 1
        of = f"{value}/{self._told[value]}" if self._told[value] > 1 else value
        return self._own("Communication", "told", of)

    def panel(self, region: str) -> Name:
        """The panel Observation of a region."""
        return self._observation(f"{self._root}/panel/{region}")

    def observation(self, finding: Finding) -> Name:
        """The Observation of a finding: exam/item[/side][/n], n from 2 on for further ones of the same."""
        fields = finding.__dict__  # a model's attributes are slow to reach one by one
        side = fields["side"]
        value = f"{self._root}/{fields['item']}/{side}" if side else f"{self._root}/{fields['item']}"
        return self._numbered(value)

    def sign(self, score: Name, sign: str) -> Name:
        """The Observation of one sign of a score, where signs are members: the score's name, then the sign's."""
        return self._own("Observation", "observation", f"{score.value}/sign/{sign}")

    def _numbered(self, value: str) -> Name:
        number = self._seen[value] = self._seen.get(value, 0) + 1
        return self._observation(value if number == 1 else f"{value}/{number}")

    def computed(self, one: Computed) -> Name:
        """The Observation of a computed finding: exam/item, and for a rule or comparison exam/item/rule.

        So a rule's finding keeps its name whatever other rules hold.
        """
        rule = f"/{one.maker.id}" if one.maker is not None and one.urgency is not None else ""
        return self._numbered(f"{self._root}/{one.finding.item}{rule}")

    def _own(self, resource_type: str, kind: str, value: str) -> Name:
        return _own(self._catalogue, resource_type, kind).name(value)

    def _known(self, resource_type: str, identifier: Identifier) -> Name:
        return Series(self._catalogue.namespace, resource_type, identifier.system).name(identifier.value)


@lru_cache(maxsize=256)
def _own(catalogue: Catalogue, resource_type: str, kind: str) -> Series:
    """The names in one of our own identifier systems."""
    return Series(catalogue.namespace, resource_type, catalogue.identifier_system(kind))
