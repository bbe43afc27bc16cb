"""What a site sets for HL7 v2.5.1 messages (``v2.yaml``): who sends to whom, which codes, which identifiers."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from functools import partial
from typing import Annotated, Literal, Protocol

from pydantic import Field, StringConstraints

from adapter.catalogue.code import Frozen
from adapter.catalogue.places import Step
from adapter.problems import Problem

CHARACTER_SETS = {"UNICODE UTF-8": "utf-8", "8859/1": "latin-1", "8859/15": "iso8859-15", "ASCII": "ascii"}
"""The character sets of table 0211 that a site may choose, and Python's names of them."""

FieldName = Annotated[str, StringConstraints(pattern=r"^[A-Z][A-Z0-9]{2}-[1-9]\d?$")]
"""A field as engineers write it: ``OBX-5``."""

Word = Annotated[str, StringConstraints(pattern=r"^[^|^~\\&\s](?:[^|^~\\&\r\n]*[^|^~\\&\s])?$")]
"""Text that needs no escaping."""


class Authority(Frozen):
    """A hierarchic designator (HD, HL7 v2.5.1 section 2A.36): a local name, a universal id, its type (table 0301)."""

    namespace: Word | None = None
    id: Word | None = None
    id_type: Literal["DNS", "GUID", "ISO", "URI", "UUID", "L", "M", "N"] | None = None


class AssigningAuthority(Authority):
    """How an identifier system of the capture record is written in CX and XCN; ``type`` is a code of table 0203."""

    system: str
    type: Word | None = None


class Service(Frozen):
    """The receiver's own code for the exam as a whole (OBR-4), in place of the published one."""

    code: Word
    text: Word
    system: Word


class V2Settings(Frozen):
    """The settings; ``mappings/v2.yaml`` says what each is for."""

    sending_application: Authority
    sending_facility: Authority = Authority()
    receiving_application: Authority = Authority()
    receiving_facility: Authority = Authority()
    processing_id: Literal["D", "P", "T"] = "T"
    acknowledgement: Literal["original", "accept", "accept-and-application"] = "original"
    character_set: Literal["UNICODE UTF-8", "8859/1", "8859/15", "ASCII"] = "UNICODE UTF-8"
    terminator: Literal["CR", "CRLF"] = "CR"
    coded_values: Literal["CWE", "CE"] = "CWE"
    text_values: Literal["FT", "TX"] = "FT"
    own_codes: Literal["alternate", "first", "only"] = "alternate"
    own_system: Annotated[str, StringConstraints(pattern=r"^(L|99[A-Z0-9]{1,18})$")] = "99NEA"
    systems: dict[str, Word] = Field(default_factory=dict)
    exam_service: Service | None = None
    section: Word | None = None
    withdrawn: Literal["W", "D"] = "W"
    name_type: Word = "U"
    next_of_kin: bool = True
    software: bool = True
    authorities: tuple[AssigningAuthority, ...] = ()
    lengths: dict[FieldName, Annotated[int, Field(ge=1)]] = Field(default_factory=dict)

    def authority(self, system: str) -> AssigningAuthority:
        """How an identifier system is written: as the site says, else by its form (OID, UUID, URI, plain name)."""
        found = next((one for one in self.authorities if one.system == system), None)
        if found is not None:
            return found
        # Not validated: what is escaped when it is written may hold any character.
        made = partial(AssigningAuthority.model_construct, system=system, namespace=None, id=None, type=None)
        if system.startswith("urn:oid:"):
            return made(id=system.removeprefix("urn:oid:"), id_type="ISO")
        if system.startswith("urn:uuid:"):
            return made(id=system.removeprefix("urn:uuid:"), id_type="UUID")
        return made(id=system, id_type="URI") if ":" in system else made(namespace=system, id_type=None)

    def system_of(self, namespace: str, universal_id: str, id_type: str) -> str:
        """The identifier system that :meth:`authority` writes so."""
        for one in self.authorities:
            if (one.namespace or "", one.id or "") == (namespace, universal_id):
                return one.system
        prefix = {"ISO": "urn:oid:", "UUID": "urn:uuid:"}.get(id_type, "")
        return f"{prefix}{universal_id}" if universal_id else namespace


OID = re.compile(r"[0-2](\.(0|[1-9]\d*))+")
"""An object identifier (RFC 3061, ISO/IEC 9834-1)."""


class Fault(Protocol):
    """:meth:`adapter.catalogue.Catalogue.fault`."""

    def __call__(self, path: tuple[Step, ...], rule: str, what: str, remedy: str, *, says: str = "") -> Problem:
        """A problem at a path of the catalogue."""


def lint_v2(settings: V2Settings, known_systems: frozenset[str], fault: Fault) -> Iterator[Problem]:
    """What the types cannot see: authorities that cannot be told apart, ids that are not of their type."""

    def said(rule: str, what: str, remedy: str, *within: Step, says: str = "") -> Problem:
        return fault(("v2", *within), rule, what, remedy, says=says)

    for name, count in Counter(one.system for one in settings.authorities).items():
        if count > 1:
            yield said("duplicate-id", f"authority for {name} stands twice", "each system once", "authorities")
    for (namespace, universal), count in Counter((o.namespace, o.id) for o in settings.authorities).items():
        if count > 1 and (namespace or universal):
            what = f"{count} identifier systems are written as {namespace or ''} {universal or ''}".rstrip()
            remedy = "one that tells them apart, or nobody can read them back"
            yield said("same-authority", what, remedy, "authorities")
    headers = ("sending_application", "sending_facility", "receiving_application", "receiving_facility")
    named: list[tuple[str, tuple[Step, ...], Authority]] = [(n, (n,), getattr(settings, n)) for n in headers]
    named += [(f"authority for {a.system}", ("authorities", n), a) for n, a in enumerate(settings.authorities)]
    for name, at, one in named:
        if (one.id is None) != (one.id_type is None):
            yield said("missing-part", f"{name}: id and id_type belong together", "both, or neither", *at)
        elif one.id_type == "ISO" and not OID.fullmatch(one.id or ""):
            remedy = "such as 2.999.1, without urn:oid:"
            yield said("wrong-id", f"{name}: '{one.id}' is no OID", remedy, *at, "id")
    for number, one in enumerate(settings.authorities):
        if one.namespace is None and one.id is None:
            what = f"authority for {one.system} names nothing"
            yield said("missing-part", what, "namespace, or id", "authorities", number)
    if settings.sending_application == Authority():
        remedy = "the name by which the receiver knows us"
        yield said("missing-part", "sending_application is empty", remedy, "sending_application")
    for name in sorted(settings.systems.keys() - known_systems):
        what = f"systems: '{name}' is not in systems.yaml"
        yield said("unknown-system", what, "an id of systems.yaml", "systems", name)
