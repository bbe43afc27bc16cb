"""What a site sets (``settings.yaml``, overlaid by the site's ``site.yaml``)."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from adapter.catalogue.code import Frozen
from adapter.catalogue.tables import Bands
from adapter.exam.persons import Identifier
from adapter.exam.text import Line, Text

SHIPPED_LANGUAGE = "en"
"""The language of the labels in ``mappings/``."""

LANGUAGE = r"^[a-z]{2,3}(-[A-Z][a-z]{3})?(-[A-Z]{2})?$"
"""Language, script and region of BCP 47."""


class Policy(Frozen):
    """The policy whose ranges and urgencies are in force; ``date`` as FHIR dates are written."""

    name: Line
    date: str = Field(pattern=r"^\d{4}-\d\d-\d\d$")


class Organisation(Frozen):
    """Whose exams these are; becomes an Organization (FHIR R4, section 8.6)."""

    name: Line
    identifier: Identifier


class Place(Frozen):
    """A place of the house: its own identifier, and what it is, a code of FHIR's location-physical-type."""

    identifier: Identifier
    physical_type: Literal["si", "bu", "wi", "wa", "lvl", "co", "ro", "bd", "ve", "ho", "ca", "rd", "area", "jdn"]


class Emit(Frozen):
    """Which resources an exam becomes.

    ``panels``: an Observation a region between the DiagnosticReport and its findings. ``tell``: requests to tell the
    provider (CommunicationRequest). ``provenance``: a resource of its own, or contained in the DiagnosticReport.
    ``ward_encounter``, ``device``: sent, or only referred to by identifier. ``participants``: an Encounter that is
    the exam itself says who examined and where.
    """

    panels: bool = True
    tell: bool = True
    provenance: Literal["separate", "contained"] = "separate"
    ward_encounter: bool = True
    device: bool = True
    participants: bool = False


Presence = Literal["made", "known", "identifier"]
"""``made``: written where it is not there; ``known``: never written, referred to where the server has it;
``identifier``: never written nor looked up, referred to by its identifier alone (R4 Reference.identifier)."""


class Persons(Frozen):
    """Who and what an exam names that a hospital has records of: whether those may be made there.

    ``encounter`` is the ward's own; one that is the exam itself is part of it. A newborn is never left to an
    identifier, since nobody could compare. None: as whoever is asked next says, at last ``made``.
    """

    newborn: Literal["made", "known"] | None = None
    mother: Presence | None = None
    examiners: Presence | None = None
    encounter: Presence | None = None
    organisation: Presence | None = None
    device: Presence | None = None

    def over(self, other: Persons) -> Persons:
        """These, and of the other what is not said here."""
        return other.model_copy(update=self.model_dump(exclude_none=True))


class ProofWanted(Frozen):
    """What a site wants of the proof of its codes (:mod:`adapter.catalogue.proof`).

    ``wanted``: validating and sending warn where it is missing, of other codes, or more than ``days`` old. ``sent``:
    codings name the edition that was proved (Coding.version), and get from it the names that the project withholds.
    """

    wanted: bool = False
    days: int = Field(default=400, ge=1, le=10_000)
    sent: bool = False


class Publication(Frozen):
    """Who stands for the site's terminology package; ``active`` once a clinician and a terminologist have signed it.

    ``contact`` is a web or mail address, ``jurisdiction`` a code of ISO 3166-1 or -2, ``copyright`` the site's own.
    """

    status: Literal["draft", "active"] = "draft"
    publisher: Line | None = None
    contact: Annotated[str, StringConstraints(pattern=r"^(https?://[^/\s]\S*|[^@\s]+@[^@\s]+)$")] | None = None
    jurisdiction: Annotated[str, StringConstraints(pattern=r"^[A-Z]{2}(-[A-Z0-9]{1,3})?$")] | None = None
    copyright: Text | None = None


class IdentifierKind(Frozen):
    """What an identifier system is of (FHIR R4 Identifier): ``type``, a code of HL7 table 0203; use; who assigns."""

    type: str | None = None
    use: Literal["usual", "official", "temp", "secondary", "old"] | None = None
    assigner: str | None = None


NameUse = Literal["usual", "official", "temp", "nickname", "anonymous", "old", "maiden"]
"""R4 name-use."""


class NameUses(Frozen):
    """HumanName.use of the names that the record has; the ward's name of a newborn is a temporary one by default."""

    newborn: NameUse | None = "temp"
    mother: NameUse | None = None
    examiner: NameUse | None = None


class Settings(Frozen):
    """The settings in force; ``mappings/settings.yaml`` says what each does."""

    builds_on: str | None = None
    """The national pack that lay under the site's folder."""
    version: str = Field(pattern=r"^\d+\.\d+(\.\d+)?(-[A-Za-z0-9.\-]+)?$")
    canonical: str = Field(pattern=r"^(https?://\S+[^/\s]|urn:\S+)$")
    snomed: Literal["all", "global-patient-set", "off"] = "all"
    hpo: Literal["off", "on"] = "off"
    identifier_systems: dict[str, str] = Field(default_factory=dict)
    identifier_kinds: dict[str, IdentifierKind] = Field(default_factory=dict)
    """By a name of ``identifier_systems``, or by the system itself."""
    name_use: NameUses = NameUses()
    policy: Policy
    cchd_version: str
    """Which of ``screenings.yaml`` judges the oxygen saturation screen."""
    growth_reference: str | None = None
    """Which of the site's growth references judges size at birth; none is shipped."""
    size_bands: Bands
    language: str | None = Field(default=None, pattern=LANGUAGE)
    time_zone: str | None = None
    """An IANA name; a form that answers in UTC is brought to it."""
    paper: Literal["a4", "letter"] = "a4"
    fhir: Literal["R4", "R4B", "R5"] = "R4"
    """The release of FHIR that bundles and documents are written in; what is sent is R4."""
    attached_report: Literal["html", "pdf"] | None = None
    attached_document: bool = True
    """Whether a report in PDF has the exam's FHIR document attached."""
    organisation: Organisation | None = None
    places: dict[str, Place] = Field(default_factory=dict)
    """By the words that ``place`` of a record has."""
    emit: Emit = Emit()
    persons: Persons = Persons()
    proof: ProofWanted = ProofWanted()
    formats: tuple[str, ...] | None = None
    scores: Literal["components", "members"] = "components"
    own_profiles: bool = False
    package: str = Field(default="newborn-exam-adapter.terminology", pattern=r"^[a-z][a-z0-9\-]*(\.[a-z0-9\-]+)+$")
    publication: Publication = Publication()
