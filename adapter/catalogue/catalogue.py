"""The loaded catalogue: immutable, read once, the same for every stage."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from uuid import NAMESPACE_URL, UUID, uuid5

from adapter.catalogue.cohorts import Cohort
from adapter.catalogue.hours import HourTable
from adapter.catalogue.model import Category, Code, Item, OtherUnit, Region
from adapter.catalogue.places import Places, Stand, Step
from adapter.catalogue.proof import Proof
from adapter.catalogue.rules import NotJudged, Rule
from adapter.catalogue.settings import SHIPPED_LANGUAGE, IdentifierKind, Settings
from adapter.catalogue.signatures import Signature
from adapter.catalogue.tables import Estimate, GrowthReference, Screening
from adapter.catalogue.units import UnitTable
from adapter.catalogue.v2 import V2Settings
from adapter.catalogue.verified import VerifiedCode
from adapter.catalogue.vocabulary import (
    CodeSystem,
    Equivalence,
    Kind,
    PersonFact,
    ProfileClaim,
    Reason,
    Site,
    Source,
    Stage,
    Term,
)
from adapter.catalogue.words import Words
from adapter.exam.persons import Identifier
from adapter.exam.quantity import Quantity
from adapter.problems import Layer, Problem, Severity

RULE_ID = re.compile(r"\b[a-z]+(?:_[a-z0-9]+)+\b")
"""What may be a rule's id among the words of a caution."""


@dataclass(frozen=True, eq=False)
class Catalogue:
    """Items by region in exam order, the vocabularies beside them, and the site's settings."""

    settings: Settings
    v2: V2Settings
    regions: Mapping[str, Region]
    units: UnitTable
    systems: Mapping[str, CodeSystem]
    sites: Mapping[str, Site]
    reasons: Mapping[str, Reason]
    methods: Mapping[str, Term]
    states: Mapping[str, Term]
    roles: Mapping[str, Term]
    kinds: Mapping[str, Kind]
    sides: Mapping[str, Term]
    sections: Mapping[str, Term]
    meanings: Mapping[str, Term]
    urgencies: Mapping[str, Term]
    details: Mapping[str, Term]
    profiles: Mapping[str, ProfileClaim]
    person_facts: Mapping[str, PersonFact]
    stages: Mapping[str, Stage]
    equivalences: Mapping[str, Equivalence]
    graders: Mapping[str, Term]
    sources: Mapping[str, Source]
    rules: Mapping[str, Rule]
    not_judged: Mapping[str, NotJudged]
    cohorts: Mapping[str, Cohort]
    signatures: Mapping[str, Signature]
    estimates: Mapping[str, Estimate]
    screenings: Mapping[str, Screening]
    growth: Mapping[str, GrowthReference]
    hours: Mapping[str, HourTable]
    verified_by: Callable[[], Mapping[tuple[str, str], VerifiedCode]]
    """Reads :attr:`verified`, each time the same."""
    places: Places
    """Where each thing stands: file and line, for messages to whoever edits it."""
    words: Words
    """What is said to people, in the site's language."""
    proof: Proof | None = None
    """What a terminology server said of the codes, where the site's folder has it."""

    @property
    def verified(self) -> Mapping[tuple[str, str], VerifiedCode]:
        """The list of verified codes (``codes.csv``), read when it is first asked for."""
        return self.verified_by()

    @cached_property
    def items(self) -> Mapping[str, Item]:
        """Every item by id, in the order of the exam."""
        found = [item for region in self.regions.values() for item in region.items]
        return {item.id: item for item in sorted(found, key=lambda item: item.position)}

    @cached_property
    def offered(self) -> Mapping[str, Item]:
        """The items that are not retired, in the order of the exam."""
        return {name: item for name, item in self.items.items() if item.on}

    @cached_property
    def region_of(self) -> Mapping[str, str]:
        """The region id of each item id."""
        return {item.id: region.region for region in self.regions.values() for item in region.items}

    @property
    def language(self) -> str:
        """The language of labels and answers (BCP 47)."""
        return self.settings.language or SHIPPED_LANGUAGE

    @cached_property
    def namespace(self) -> UUID:
        """The site's namespace for name-based UUIDs (RFC 9562, version 5)."""
        return uuid5(NAMESPACE_URL, self.settings.canonical)

    def staged(self) -> Iterator[tuple[Stage, list[tuple[tuple[str, ...], list[Item]]]]]:
        """The exam by how the newborn lies: each stage with its pages, each the regions it is of and their items.

        An item stands where it is named, else where its region is; a region named nowhere is a page of the last
        stage. Computed and retired items are left out.
        """
        guests = {item for stage in self.stages.values() for item in stage.items}
        named = {region for stage in self.stages.values() for page in stage.pages for region in page}
        own = [item for item in self.offered.values() if not item.computed and item.id not in guests]
        last = list(self.stages)[-1]
        for stage in self.stages.values():
            own_pages = ((region,) for region in self.regions if stage.id == last and region not in named)
            regions = [*stage.pages, *own_pages]
            pages = [(page, [item for item in own if self.region_of[item.id] in page]) for page in regions]
            pages[len(stage.pages) - 1][1].extend(self.offered[name] for name in stage.items if name in self.offered)
            yield stage, [page for page in pages if page[1]]

    def caution(self, item: Item) -> str:
        """The caution of an item as people read it: a rule that it names, by the rule's label."""
        return self._cautions[item.id]

    @cached_property
    def _cautions(self) -> Mapping[str, str]:
        def label(found: re.Match[str]) -> str:
            rule = self.rules.get(found[0])
            return found[0] if rule is None else f"'{rule.label}'"

        return {item.id: RULE_ID.sub(label, item.caution) for item in self.items.values()}

    def category(self, item: Item) -> Category:
        """The Observation category of an item: its own, else its region's."""
        return item.category or self.regions[self.region_of[item.id]].category

    def in_panel(self, item: Item) -> bool:
        """Whether an item's Observation is a member of its region's panel.

        A panel of vital signs holds vital signs alone (FHIR R4 profile vitalspanel, hasMember).
        """
        region = self.regions[self.region_of[item.id]]
        return region.category is not Category.VITAL_SIGNS or self.category(item) is Category.VITAL_SIGNS

    def may_precede(self, item: Item) -> bool:
        """Whether a finding may be older than the exam it is entered with (but not than the newborn)."""
        return item.may_precede or self.regions[self.region_of[item.id]].may_precede

    def expected(self, kind_id: str) -> tuple[Item, ...]:
        """The items that an exam of this kind should cover, in exam order; never computed, free-text or retired."""
        return self._expected[kind_id]

    @cached_property
    def _expected(self) -> Mapping[str, tuple[Item, ...]]:
        return {
            kind.id: tuple(
                item
                for item in self.offered.values()
                if (self.region_of[item.id] in kind.regions or item.id in kind.items)
                and item.id not in kind.without
                and not item.computed
                and item.type != "text"
            )
            for kind in self.kinds.values()
        }

    @property
    def screening(self) -> Screening:
        """The screening algorithm that the site has chosen."""
        return self.screenings[self.settings.cchd_version]

    @property
    def growth_reference(self) -> GrowthReference | None:
        """The growth reference that the site has chosen, if it has one."""
        return self.growth.get(self.settings.growth_reference or "")

    def amount(self, value: Quantity, item: Item) -> Decimal:
        """The value in the item's unit; one in another dimension is converted by the item's molar mass.

        Raises :class:`UnknownUnit` or :class:`WrongDimension`.
        """
        wanted = item.unit or value.unit
        if item.molar_mass is None or not self.other_unit(value, item):
            return self.units.convert(value, wanted)
        return self.units.between_mass_and_substance(value, wanted, item.molar_mass)

    def other_unit(self, value: Quantity, item: Item) -> OtherUnit | None:
        """The item's other unit that the value is measured in, None where it is of the item's own dimension."""
        unit = self.units.find(value.unit) if item.other_units else None
        if unit is None:
            return None
        same = (o for o in item.other_units if self.units[o.unit].dimension == unit.dimension)
        return next(same, None)

    def uri(self, system: str) -> str:
        """The URI of a code system id; the project's own systems hang under the site's canonical."""
        known = self.systems[system]
        return f"{self.settings.canonical}/{known.uri}" if known.own else known.uri

    def identifier_system(self, name: str) -> str:
        """The identifier system of our own resources: ``exam``, ``observation``, ``panel`` ..."""
        return f"{self.settings.canonical}/identifier/{name}"

    def resolve(self, identifier: Identifier) -> Identifier:
        """The identifier with a site's short system name replaced by its URI."""
        uri = self.settings.identifier_systems.get(identifier.system)
        return identifier.model_copy(update={"system": uri}) if uri else identifier

    def short_name(self, system: str) -> str | None:
        """The site's short name of an identifier system, if it has one."""
        return next((name for name, uri in self.settings.identifier_systems.items() if uri == system), None)

    def kind_of(self, system: str) -> IdentifierKind | None:
        """What an identifier system (its URI) is of, where the site says it."""
        kinds = self.settings.identifier_kinds
        names = (name for name, uri in self.settings.identifier_systems.items() if uri == system)
        return next((kinds[name] for name in (system, *names) if name in kinds), None)

    def sends(self, code: Code) -> bool:
        """Whether the site sends this code: HPO is on or off, SNOMED CT may be kept to the Global Patient Set."""
        return self.maps(code) and (code.system != "hpo" or self.settings.hpo == "on")

    def maps(self, code: Code) -> bool:
        """Whether the code may stand in this site's ConceptMaps: there HPO always does."""
        if code.system != "snomed" or self.settings.snomed == "all":
            return True
        if self.settings.snomed == "off":
            return False
        row = self.verified.get((code.system, code.code))
        return row is not None and row.global_patient_set

    def notice(self) -> str:
        """What the terms of the published code systems that this site sends ask to be shown with lists of codes."""
        settings = self.settings
        sent = {"loinc": True, "snomed": settings.snomed != "off", "hpo": settings.hpo == "on"}
        return " ".join(self.systems[name].notice for name, is_sent in sent.items() if is_sent)

    def fault(
        self,
        path: tuple[Step, ...],
        rule: str,
        what: str,
        remedy: str,
        *,
        where: str = "",
        item: str = "",
        says: str = "",
    ) -> Problem:
        """A fault of the catalogue's data, with file and line of what stands at a path of :attr:`places` (and of the
        word there that is meant); where nothing does, with the file that its list or its settings belong into."""
        stand = self.places.find(*path, says=says) or Stand(f"{path[0] if path[0] != 'settings' else 'site'}.yaml", 0)
        file, line = stand
        return Problem(
            Severity.ERROR, Layer.CATALOGUE, rule, what, remedy, where=where, file=file, line=line or None, item=item
        )

    def codes(self) -> Iterator[tuple[str, Code]]:
        """Every published code of the catalogue, with a word on where it stands."""
        for region in self.regions.values():
            yield from ((f"region {region.region}", code) for code in (*region.codes, *region.section_codes))
            for item in region.items:
                yield from _item_codes(item)
        vocabularies: dict[str, Mapping[str, Term]] = {
            "site": self.sites,
            "reason": self.reasons,
            "method": self.methods,
            "state": self.states,
            "role": self.roles,
            "side": self.sides,
            "section": self.sections,
        }
        for name, terms in vocabularies.items():
            for term in terms.values():
                yield from ((f"{name} {term.id}", code) for code in term.codes)
        for site in self.sites.values():
            yield from ((f"site {site.id}", code) for code in (*site.left, *site.right))
        for kind in self.kinds.values():
            yield from ((f"kind {kind.id}", code) for code in kind.codes)


def _item_codes(item: Item) -> Iterator[tuple[str, Code]]:
    place = f"item {item.id}"
    yield from ((place, code) for code in item.codes)
    for _, _, codes in item.codes_by.conditions():
        yield from ((place, code) for code in codes)
    for other in item.other_units:
        yield from ((place, code) for code in other.codes)
    for codes in (item.not_done.codes, item.not_done.left, item.not_done.right):
        yield from ((f"{place}, not done", code) for code in codes)
    for answer in item.answers:
        yield from ((f"{place}, answer {answer.id}", code) for code in answer.codes)
    for component in item.components:
        yield from ((f"{place}, component {component.id}", code) for code in component.codes)
    for sign in item.signs:
        yield from ((f"{place}, sign {sign.id}", code) for code in sign.codes)
        for choice in sign.answers:
            yield from ((f"{place}, sign {sign.id}, answer {choice.id}", code) for code in choice.codes)
