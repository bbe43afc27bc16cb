"""An exam ready to be sent: its transaction as bytes, and the names by which it is told from others."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from hashlib import sha256
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.fhir import Identity, to_bundle
from adapter.fhir.json import dumps, loads

RANK = {Status.FINAL: 0, Status.AMENDED: 1, Status.ENTERED_IN_ERROR: 2}
"""The order of versions of one exam."""


@dataclass(frozen=True, slots=True)
class Systems:
    """The site's identifier systems that sending needs to know again on a server."""

    exam: str
    version: str
    observation: str


@dataclass(frozen=True, slots=True)
class Message:
    """One version of one exam.

    ``exam`` is its id, ``root`` the id of the exam as first recorded, ``newborn`` the UUID of the Patient;
    ``rank`` orders versions of one exam: 0 as first recorded, 1 amended, 2 entered in error. ``payload`` is
    the transaction Bundle in JSON; ``full_urls`` and ``names`` (the values of the business identifiers) are
    those of its entries, in order. ``shared`` holds the full URLs of what only needs to exist, which other
    exams need as well; ``provenance`` the id of the Provenance of this version.

    An HL7 v2 message has its control id in ``full_urls``, and nothing of what only FHIR has.
    """

    exam: str
    root: str
    newborn: str
    rank: int
    payload: bytes
    full_urls: tuple[str, ...]
    names: tuple[str, ...]
    shared: tuple[str, ...]
    provenance: str
    systems: Systems
    own: str = ""

    @property
    def digest(self) -> str:
        """SHA-256 in hexadecimal by which the same exam is known again: of the payload, or ``own`` where that also
        holds what other versions of the exam make necessary."""
        return self.own or sha256(self.payload).hexdigest()

    @property
    def types(self) -> frozenset[str]:
        """The resource types of the entries."""
        return frozenset(name.partition(" ")[0] for name in self.names)

    def bundle(self) -> dict[str, Any]:
        """The payload, read; a new object each time."""
        read: dict[str, Any] = loads(self.payload)
        return read

    def about(self) -> dict[str, Any]:
        """Everything but the payload, as plain data."""
        return {name: value for name, value in asdict(self).items() if name != "payload"}

    @classmethod
    def of(cls, about: dict[str, Any], payload: bytes) -> Message:
        """From :meth:`about` and the payload."""
        systems = Systems(**about["systems"])
        lists = {name: tuple(about[name]) for name in ("full_urls", "names", "shared")}
        return cls(**{**about, **lists, "systems": systems, "payload": payload})


def message_of(exam: Exam, catalogue: Catalogue) -> Message:
    """An exam that the checks found no error in, as a message.

    Everything in it is created if it is not there (R4 http.html 3.1.0.8.1) and else left alone, so that a
    request that a server carries out late, after a newer version has arrived, changes nothing. What must be
    updated is found out when it is sent, and updated by id and version.
    """
    bundle, identity = to_bundle(exam, catalogue), Identity(exam, catalogue)
    shared = tuple(entry["fullUrl"] for entry in bundle["entry"] if entry["request"]["method"] == "POST")
    entries = [_created(entry) for entry in bundle["entry"]]
    return Message(
        exam=exam.details.id,
        root=exam.details.root,
        newborn=identity.patient().uuid,
        rank=RANK[exam.details.status],
        payload=dumps({**bundle, "entry": entries}),
        full_urls=tuple(entry["fullUrl"] for entry in entries),
        names=tuple(_name(entry["resource"]) for entry in entries),
        shared=shared,
        provenance=identity.provenance(exam.details.id).uuid,
        systems=Systems(
            exam=catalogue.identifier_system("exam"),
            version=catalogue.identifier_system("exam-version"),
            observation=catalogue.identifier_system("observation"),
        ),
    )


def _created(entry: dict[str, Any]) -> dict[str, Any]:
    """An entry that updates by criteria, as one that creates by them; Provenance has only its id."""
    kind, mark, criteria = entry["request"]["url"].partition("?")
    if not mark:
        return entry
    return {**entry, "request": {"method": "POST", "url": kind, "ifNoneExist": criteria}}


def _name(resource: dict[str, Any]) -> str:
    """What an entry is called in reports: type, and for what is the exam's own its identifier; never a person's."""
    kind = str(resource["resourceType"])
    if kind in ("Observation", "DiagnosticReport", "CommunicationRequest"):
        return f"{kind} {resource['identifier'][0]['value']}"
    return kind
