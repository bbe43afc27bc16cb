"""What a site sets for HL7 v2.5.1 messages (``v2.yaml``): who sends to whom, which codes, which identifiers."""

from __future__ import annotations

from functools import partial
from typing import Annotated, Literal

from pydantic import Field, StringConstraints, model_validator

from adapter.catalogue.code import Frozen
from adapter.exam import Identifier, Named, with_parts
from adapter.exam.text import Line

CHARACTER_SETS = {"UNICODE UTF-8": "utf-8", "8859/1": "latin-1", "8859/15": "iso8859-15", "ASCII": "ascii"}
"""The character sets of table 0211 that a site may choose, and Python's names of them."""

FieldName = Annotated[str, StringConstraints(pattern=r"^[A-Z][A-Z0-9]{2}-[1-9]\d?$")]
"""A field as engineers write it: ``OBX-5``."""

Word = Annotated[str, StringConstraints(pattern=r"^[^|^~\\&\s](?:[^|^~\\&\r\n]*[^|^~\\&\s])?$")]
"""Text that needs no escaping."""


LONGEST_CODE = 20
Coded = Annotated[Word, StringConstraints(max_length=LONGEST_CODE)]
"""A code of a table that a site keeps itself (data type IS of HL7 v2.5.1: 20 characters)."""


class Authority(Frozen):
    """A hierarchic designator (HD, HL7 v2.5.1 section 2A.36): a local name, a universal id, its type (table 0301)."""

    namespace: Coded | None = None
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


class MessageProfile(Frozen):
    """A profile that messages keep to (MSH-21, an EI): its name, and who gave it."""

    name: Word
    authority: Authority = Authority()


class OrderingProvider(Frozen, Named):
    """Who ordered the exam (OBR-16 and ORC-12, which v2.5.1 section 4.5.1.12 wants to be the same)."""

    identifier: Identifier
    name: Line | None = None
    family: Line | None = None
    given: Line | None = None
    prefix: Line | None = None
    facts: None = None
    """A site's settings know no further facts of a person."""

    @model_validator(mode="after")
    def _coherent(self) -> OrderingProvider:
        with_parts(self)
        return self


class Address(Frozen):
    """An address (XAD); ``country`` is of table 0399, ``type`` of table 0190 (B: of a firm)."""

    street: Line | None = None
    other: Line | None = None
    city: Line | None = None
    state: Line | None = None
    postal_code: Line | None = None
    country: str | None = None
    type: str | None = "B"


class PerformingOrganisation(Frozen):
    """Who is responsible for the results (OBX-23, an XON, and OBX-24); None: the site's own ``organisation``.

    ``type`` is what the identifier is of, a code of table 0203.
    """

    name: Line | None = None
    identifier: Identifier | None = None
    type: str = "XX"
    address: Address | None = None


class Location(Frozen):
    """Where the newborn is, as the receiver's own codes have it (PV1-3, a PL; ``type`` is of table 0305).

    ``place`` is that of the record for which it stands; None: every other.
    """

    place: Line | None = None
    point_of_care: Coded | None = None
    room: Coded | None = None
    bed: Coded | None = None
    facility: Authority = Authority()
    type: str | None = None
    building: Coded | None = None
    floor: Coded | None = None


class DocumentMessage(Frozen):
    """A message that carries the report alone (MDM^T02): its format, and what document it is (TXA-2, table 0270)."""

    format: Literal["html", "pdf"] = "pdf"
    type: str = "HP"


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
    namespaces: Literal["none", "names"] = "none"
    not_examined: Literal["empty", "reason"] = "empty"
    message_profiles: tuple[MessageProfile, ...] = ()
    ordering_provider: Literal["examiner"] | OrderingProvider | None = None
    performing_organisation: PerformingOrganisation | None = None
    locations: tuple[Location, ...] = ()
    attached_report: Literal["html", "pdf"] | None = None
    document: DocumentMessage = DocumentMessage()
    lengths: dict[FieldName, Annotated[int, Field(ge=1)]] = Field(default_factory=dict)

    def authority(self, system: str, short: str | None = None) -> AssigningAuthority:
        """How an identifier system is written: as the site says, else by its form (OID, UUID, URI, plain name).

        ``short`` is its name at the site, the namespace where ``namespaces`` asks for names.
        """
        found = next((one for one in self.authorities if one.system == system), None)
        if found is not None:
            return found
        # Not validated: what is escaped when it is written may hold any character.
        namespace = short if self.namespaces == "names" else None
        made = partial(AssigningAuthority.model_construct, system=system, namespace=namespace, id=None, type=None)
        if system.startswith("urn:oid:"):
            return made(id=system.removeprefix("urn:oid:"), id_type="ISO")
        if system.startswith("urn:uuid:"):
            return made(id=system.removeprefix("urn:uuid:"), id_type="UUID")
        if ":" in system or len(system) > LONGEST_CODE:
            return made(id=system, id_type="URI" if ":" in system else "L")
        return made(namespace=system, id_type=None)

    def location(self, place: str | None) -> Location | None:
        """That of a place of the record, else the one that stands for every other."""
        found = {one.place: one for one in self.locations}
        return found.get(place) or found.get(None)

    def system_of(self, namespace: str, universal_id: str, id_type: str) -> str:
        """The identifier system that :meth:`authority` writes so."""
        for one in self.authorities:
            if (one.namespace or "", one.id or "") == (namespace, universal_id):
                return one.system
        prefix = {"ISO": "urn:oid:", "UUID": "urn:uuid:"}.get(id_type, "")
        return f"{prefix}{universal_id}" if universal_id else namespace
