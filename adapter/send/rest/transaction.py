"""An exam as a transaction of FHIR: its Bundle as bytes, and the names by which its entries are told from others."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from hashlib import sha256
from typing import Any
from uuid import NAMESPACE_URL, uuid5

from adapter.catalogue import Catalogue
from adapter.catalogue.settings import Persons, Presence
from adapter.derive.versions import Precedence, precedence_of
from adapter.exam import Exam
from adapter.fhir import Identity, to_bundle
from adapter.fhir.identity import Series
from adapter.fhir.json import Json, dumps, loads
from adapter.fhir.persons import MADE, presence
from adapter.fhir.references import with_references
from adapter.send.message import Message


@dataclass(frozen=True, slots=True)
class Systems:
    """The site's identifier systems that sending needs to know again on a server."""

    exam: str
    version: str
    observation: str
    told: str = ""

    @property
    def canonical(self) -> str:
        """The site's own address, under which its code systems and extensions hang too."""
        return self.exam.removesuffix("/identifier/exam")


@dataclass(frozen=True)
class Transaction:
    """A version of one exam (``exam``, ``root``, ``newborn``, ``precedence``, ``amends`` as in :class:`.Message`).

    ``payload`` is the transaction Bundle in JSON; ``full_urls`` and ``names`` (type, and the value of the business
    identifier) are those of its entries, in order. ``shared`` holds the full URLs of what only needs to exist, which
    other exams need as well; ``provenance`` the id of the Provenance of this version; ``ward_encounters`` the system
    and value of the Encounters in it that are the ward's own; ``rooted``: the exam as first recorded is known to the
    outbox, which says so when it is sent; ``persons``: what the site says of whom may be made. Everybody is in it.
    """

    exam: str
    root: str
    newborn: str
    precedence: Precedence
    payload: bytes
    full_urls: tuple[str, ...]
    names: tuple[str, ...]
    shared: frozenset[str]
    provenance: str
    systems: Systems
    ward_encounters: tuple[tuple[str, str], ...] = ()
    rooted: bool = False
    amends: str | None = None
    persons: Persons = MADE

    @property
    def rank(self) -> int:
        """0 for an exam as first recorded, 1 for an amendment, 2 for a retraction."""
        return self.precedence.rank

    @property
    def types(self) -> frozenset[str]:
        """The resource types of the entries."""
        return frozenset(name.partition(" ")[0] for name in self.names)

    @property
    def observations(self) -> tuple[tuple[str, str], ...]:
        """The identifiers (system and value) of its Observations."""
        parts = (name.partition(" ") for name in self.names)
        return tuple((self.systems.observation, value) for kind, _, value in parts if kind == "Observation")

    def provenance_of(self, version: str) -> str:
        """The id under which the Provenance of another version of the exam was sent."""
        canonical = self.systems.canonical
        series = Series(uuid5(NAMESPACE_URL, canonical), "Provenance", f"{canonical}/identifier/provenance")
        return series.name(version).uuid

    @cached_property
    def bundle(self) -> dict[str, Any]:
        """The payload, read once; not to be changed."""
        read: dict[str, Any] = loads(self.payload)
        return read

    def entries(self) -> list[dict[str, Any]]:
        """The entries of the payload."""
        found: list[dict[str, Any]] = self.bundle["entry"]
        return found

    def resources(self) -> list[dict[str, Any]]:
        """The resources of the payload."""
        return [entry["resource"] for entry in self.entries()]

    def not_made(self, persons: Persons) -> dict[str, tuple[Presence, dict[str, Any]]]:
        """Who is known or left to an identifier, by full URL: which of the two, and the resource."""
        found: dict[str, tuple[Presence, dict[str, Any]]] = {}
        if persons == MADE:
            return found
        for entry in self.entries():
            what = presence(entry["resource"]["resourceType"], persons, bool(self.ward_encounters))
            if what != "made":
                found[entry["fullUrl"]] = what, entry["resource"]
        return found

    def referring(self, references: Mapping[str, dict[str, Any]]) -> Transaction:
        """Without the entries of some full URLs, to whom all others refer as given."""
        if not references:
            return self
        bundle = self.bundle

        def changed(reference: dict[str, Any]) -> dict[str, Any]:
            other = references.get(reference.get("reference", ""))
            if other is None:
                return reference
            return {**other, **{key: value for key, value in reference.items() if key != "reference"}}

        kept = [entry for entry in bundle["entry"] if entry["fullUrl"] not in references]
        entries = [{**entry, "resource": with_references(entry["resource"], changed)} for entry in kept]
        named = zip(self.full_urls, self.names, strict=True)
        return replace(
            self,
            payload=dumps({**bundle, "entry": entries}),
            full_urls=tuple(url for url in self.full_urls if url not in references),
            names=tuple(name for url, name in named if url not in references),
            shared=self.shared - references.keys(),
        )

    def message(self) -> Message:
        """For the outbox."""
        own = {
            "full_urls": list(self.full_urls),
            "names": list(self.names),
            "provenance": self.provenance,
            "systems": asdict(self.systems),
            "ward_encounters": [list(token) for token in self.ward_encounters],
        }
        if said := self.persons.model_dump(exclude_none=True):
            own["persons"] = said
        digest = sha256(self.payload).hexdigest()
        return Message(
            self.exam,
            self.root,
            self.newborn,
            self.precedence,
            self.payload,
            digest,
            shared=self.shared,
            own=own,
            amends=self.amends,
        )

    @classmethod
    def of(cls, message: Message) -> Transaction:
        """From the outbox."""
        own = message.own
        return cls(
            exam=message.exam,
            root=message.root,
            newborn=message.newborn,
            precedence=message.precedence,
            payload=message.payload,
            full_urls=tuple(own["full_urls"]),
            names=tuple(own["names"]),
            shared=message.shared,
            provenance=own["provenance"],
            systems=Systems(**own["systems"]),
            ward_encounters=tuple((system, value) for system, value in own.get("ward_encounters", ())),
            amends=message.amends,
            persons=Persons.model_validate(own.get("persons", {})),
        )


def message_of(exam: Exam, catalogue: Catalogue, presented: Sequence[Json] = ()) -> Message:
    """An exam that the checks found no error in, as a message to a FHIR server."""
    return transaction_of(exam, catalogue, presented).message()


def transaction_of(exam: Exam, catalogue: Catalogue, presented: Sequence[Json] = ()) -> Transaction:
    """An exam that the checks found no error in, as a transaction.

    Everything in it is created if it is not there (R4 http.html 3.1.0.8.1) and else left alone, so that a
    request that a server carries out late, after a newer version has arrived, changes nothing. What must be
    updated is found out when it is sent, and updated by id and version.
    """
    bundle, identity = to_bundle(exam, catalogue, persons=MADE, presented=presented), Identity(exam, catalogue)
    shared = frozenset(entry["fullUrl"] for entry in bundle["entry"] if entry["request"]["method"] == "POST")
    entries = [_created(entry) for entry in bundle["entry"]]
    return Transaction(
        exam=exam.details.id,
        root=exam.details.root,
        newborn=identity.patient().uuid,
        precedence=precedence_of(exam),
        payload=dumps({**bundle, "entry": entries}),
        full_urls=tuple(entry["fullUrl"] for entry in entries),
        names=tuple(_name(entry["resource"]) for entry in entries),
        shared=shared,
        provenance=identity.provenance(exam.details.id).uuid,
        systems=Systems(
            exam=catalogue.identifier_system("exam"),
            version=catalogue.identifier_system("exam-version"),
            observation=catalogue.identifier_system("observation"),
            told=catalogue.identifier_system("told"),
        ),
        ward_encounters=tuple(_ward_encounters(bundle, exam)),
        amends=exam.details.amends,
        persons=catalogue.settings.persons,
    )


def _ward_encounters(bundle: dict[str, Any], exam: Exam) -> Iterator[tuple[str, str]]:
    if exam.details.encounter is not None:
        for entry in bundle["entry"]:
            if entry["resource"]["resourceType"] == "Encounter":
                yield from ((one["system"], one["value"]) for one in entry["resource"]["identifier"])


def _created(entry: dict[str, Any]) -> dict[str, Any]:
    """An entry that updates by criteria, as one that creates by them; Provenance has only its id."""
    kind, mark, criteria = entry["request"]["url"].partition("?")
    if not mark:
        return entry
    return {**entry, "request": {"method": "POST", "url": kind, "ifNoneExist": criteria}}


def _name(resource: dict[str, Any]) -> str:
    """What an entry is called in reports: type, and for what is the exam's own its identifier; never a person's."""
    kind = str(resource["resourceType"])
    if kind in ("Observation", "DiagnosticReport", "Communication", "CommunicationRequest"):
        return f"{kind} {resource['identifier'][0]['value']}"
    return kind
