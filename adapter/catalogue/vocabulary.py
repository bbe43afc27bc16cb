"""The small lists beside the items: units, sites, reasons, methods, states, roles, exam kinds, sources."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from pydantic import Field, model_validator

from adapter.catalogue.code import PROJECT, Codes, CodeText, Fit, Frozen, Worded
from adapter.catalogue.model import Span
from adapter.exam.model import Side, Urgency
from adapter.exam.text import Key, Line


class Unit(Frozen):
    """A unit: UCUM code, dimension, the spellings people write, and its exact size in the dimension's base.

    ``symbol`` is how people read it where that is not the UCUM code; empty for counts and scores. ``printed`` is what
    stands in Quantity.unit whatever was captured, where a national profile fixes the words.
    ``base = (value + offset) * numerator / denominator``; ``places`` is how many decimal places a value keeps
    after it was converted *to* this unit.
    """

    ucum: str
    label: str
    dimension: Key
    symbol: str | None = None
    printed: Line | None = None
    spellings: tuple[str, ...] = ()
    offset: Decimal = Decimal(0)
    numerator: Decimal = Decimal(1)
    denominator: Decimal = Decimal(1)
    places: int = Field(default=2, ge=0, le=6)


class Term(Worded):
    """An entry of a plain list: a method, a state of the infant, an examiner's role.

    ``maps`` are codes that are near and say something else: for ConceptMaps alone.
    """

    id: Key
    codes: Codes = ()
    maps: Codes = ()


class Site(Term):
    """A place on the body.

    ``left`` and ``right`` hold the lateralised structures where verified ones exist; ``side`` is set where the
    place itself has a side (the right hand), so that a finding there needs none of its own.
    """

    left: Codes = ()
    right: Codes = ()
    side: Side | None = None


Absent = Literal[
    "unknown",
    "asked-unknown",
    "temp-unknown",
    "not-asked",
    "asked-declined",
    "masked",
    "not-applicable",
    "unsupported",
    "error",
    "not-performed",
    "not-permitted",
]
"""Codes of FHIR R4 data-absent-reason that say why nobody examined; the others are of values, such as infinity."""


class Reason(Term):
    """Why something was not examined.

    ``absent`` is the code of FHIR R4 data-absent-reason; ``deferred``: the item is put off to a later exam.
    """

    absent: Absent
    deferred: bool = False
    urgency: Urgency = Urgency.NONE


class Kind(Worded):
    """A kind of exam and what it is expected to cover: whole regions, single items, less what is left out.

    ``service`` is the diagnostic service section that reports it (HL7 table 0074). ``encounter_class`` is the HL7 v3
    ActCode of the Encounter it happens in (FHIR R4 Encounter.class), ``encounter_type`` its type as a guide asks.
    ``last``: the infant leaves after it, so that what matters and is not recorded must be told, not only done later.
    ``age_hours``: of which age it is; one begun at another is doubted.
    """

    id: Key
    codes: Codes = ()
    service: Literal["NRS", "PHY", "OTH"] = "NRS"
    encounter_class: str = "IMP"
    encounter_type: Codes = ()
    regions: tuple[Key, ...] = ()
    items: tuple[Key, ...] = ()
    without: tuple[Key, ...] = ()
    last: bool = False
    age_hours: Span | None = None


class FactValue(Frozen):
    """One value that a fact may have; one of a Coding or a CodeableConcept has a system."""

    code: str = Field(pattern=r"^[^\s]+( [^\s]+)*$")
    system: str | None = None
    display: str | None = None


class PersonFact(Frozen):
    """A further fact of a person, copied from the record into a FHIR extension (R4 section 2.4).

    ``part`` is the URL within an extension that has parts: all facts of one ``url`` stand in one extension, those of
    one part in their order. ``required``: the others of that extension are not said without it. ``values``: those
    that a code, a Coding or a CodeableConcept may have; in the record each is its code.
    """

    id: Key
    label: str
    of: tuple[Literal["newborn", "mother", "examiner"], ...] = Field(min_length=1)
    url: str
    part: str | None = None
    required: bool = False
    type: Literal["code", "Coding", "CodeableConcept", "string", "boolean", "date"]
    values: tuple[FactValue, ...] = ()

    @property
    def has_system(self) -> bool:
        """Whether a value is a code with the system that it is of."""
        return self.type in ("Coding", "CodeableConcept")


class Stage(Frozen):
    """A part of the exam by how the newborn lies, and what is looked at then.

    ``pages`` are regions, each alone or with its neighbours; ``items`` of other regions join the last page.
    """

    id: Key
    label: str
    how: str = ""
    pages: tuple[tuple[Key, ...], ...] = Field(min_length=1)
    items: tuple[Key, ...] = ()


class CodeSystem(Frozen):
    """A code system and its URI; ``own`` marks the project's, whose URIs hang under the site's canonical.

    ``local`` marks one of the site's own house, whose codes stand beside published ones or in their place.
    ``version`` is the release that the codes and names are of, sent with them; ``notice`` what its terms ask to be
    shown with them.
    """

    id: Key
    uri: str
    label: str
    own: bool = False
    local: bool = False
    version: str | None = None
    notice: str = ""


class ProfileClaim(Frozen):
    """A profile that resources of a site claim in ``meta.profile`` (FHIR R4 Resource, section 2.26).

    Of Observations, only those of ``items`` or of items in ``regions`` where either is given. A resource can meet the
    profile only if it has every element of ``needs`` and none of ``without`` (names as in JSON, with
    points between parts: ``valueQuantity``, ``name.family``), and of ``values`` one of the codes at each path.
    ``demands`` are facts that the profile makes mandatory, each with where the record or the site has it: a resource
    that lacks one does not claim the profile, and that is told. ``components``: numbers of other items, made at the
    same moment, that the Observations of ``items`` carry besides as components, under these codes.
    """

    id: Key
    url: str = Field(pattern=r"^(https?://\S+|urn:\S+)$")
    resource: str
    items: tuple[Key, ...] = ()
    regions: tuple[Key, ...] = ()
    needs: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    values: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    demands: dict[str, Line] = Field(default_factory=dict)
    components: dict[Key, CodeText] = Field(default_factory=dict)
    on: bool = True


class Grade(Frozen):
    """How well one published code fits: a code of R4 concept-map-equivalence, who says so, and why."""

    equivalence: Fit
    by: str = PROJECT
    comment: str = ""

    @model_validator(mode="after")
    def _explained(self) -> Grade:
        if self.equivalence in ("narrower", "inexact") and not self.comment:
            raise ValueError(f"{self.equivalence} needs a comment (R4 constraint cmd-1)")
        return self


class Equivalence(Frozen):
    """How well the published codes of one entry fit it, whatever the entry says; ``id`` is where it stands."""

    id: str
    targets: dict[str, Grade]


class Source(Frozen):
    """Where a range, an answer or a rule comes from, and how well it was seen."""

    id: str
    label: str
    mark: str
