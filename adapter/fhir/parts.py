"""The static parts of every Observation, compiled once per catalogue: questions, answers, sites, meanings.

A compiled part is a plain dict that many resources share; nobody changes one after it was made. Of what is only to be
written, the parts are compiled to their bytes (:func:`adapter.fhir.json.sealed`): the same mapping, written faster.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, ParamSpec, TypeVar, cast

from adapter.catalogue import Catalogue, Category, Flag, Item, ItemType, Meaning, Range, Sides
from adapter.catalogue.codings import Codings, codings
from adapter.derive import Maker
from adapter.derive.finding import Kept
from adapter.derive.form import Form
from adapter.exam import Side, Urgency
from adapter.fhir.claims import components_beside
from adapter.fhir.json import Json, sealed
from adapter.fhir.observation_templates import ObservationTemplate
from adapter.fhir.ranges import reference_range

_Given = ParamSpec("_Given")
_Part = TypeVar("_Part")

_MOST_TEMPLATES = 10_000
DETAIL = "StructureDefinition/finding-detail"
WRITTEN_UNIT = "StructureDefinition/written-unit"
"""Our extension on a Quantity: the unit as the examiner wrote it, where it is shown in other words."""

CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"

_CATEGORY_DISPLAY = {
    "vital-signs": "Vital Signs",
    "exam": "Exam",
    "survey": "Survey",
    "laboratory": "Laboratory",
}
_FLAG_DISPLAY = {
    "N": "Normal",
    "A": "Abnormal",
    "AA": "Critical abnormal",
    "L": "Low",
    "LL": "Critical low",
    "H": "High",
    "HH": "Critical high",
}
_ABSENT_DISPLAY = {
    "asked-unknown": "Asked But Unknown",
    "not-asked": "Not Asked",
    "masked": "Masked",
    "temp-unknown": "Temporarily Unknown",
    "asked-declined": "Asked But Declined",
    "not-permitted": "Not Permitted",
    "not-applicable": "Not Applicable",
    "not-performed": "Not Performed",
    "unsupported": "Unsupported",
    "unknown": "Unknown",
    "error": "Error",
}


@dataclass(frozen=True, slots=True)
class Circumstances:
    """The parts that an item has in one setting of side, site, state, method, urgency and unit.

    ``details`` tell how the finding was made; those of ``marked`` come after the time counted.
    """

    meta: Json | None
    category: list[Json]
    question: Json
    body_site: Json | None
    details: list[Json]
    marked: list[Json]


@lru_cache(maxsize=16)
def parts(catalogue: Catalogue, written: bool = False) -> Parts:
    """The compiled parts of a catalogue; ``written``: as bytes, for what is only to be written."""
    return Parts(catalogue, written)


class Parts:
    """Compiled parts by what they depend on; each is made when first asked for.

    ``at_birth`` are the items whose findings belong to a moment of birth, ``split`` those that become several
    Observations or carry numbers of others (``beside``), ``outside_panels`` those that no panel leads to.
    ``observations`` holds the templates by the form of the finding, or by what is known of all that say the same.
    """

    def __init__(self, catalogue: Catalogue, written: bool) -> None:
        members = catalogue.settings.scores == "members"
        read = members or catalogue.settings.own_profiles or bool(catalogue.profiles)  # before they are written
        seal: Callable[[Any], Any] = sealed if written and not read else lambda part: part

        def kept(make: Callable[_Given, _Part]) -> Callable[_Given, _Part]:
            sealing: Callable[..., Any] = make
            return cast(Callable[_Given, _Part], cache(lambda *given: seal(sealing(*given))))

        self.catalogue = catalogue
        self.written = written
        self.language = catalogue.settings.language
        self._codings: Codings = codings(catalogue)
        self.own, self.published = self._codings.own, self._codings.published
        self.own_question = self._codings.own_question
        self.question = kept(self._question)
        self.answer = kept(self._answer)
        self.component = kept(self._component)
        self.category = kept(self._category)
        self.method = kept(self._method)
        self.absent = kept(self._absent)
        self.not_done = cache(self._not_done)
        self.maker = kept(self._maker)
        self.interpretation = kept(self._interpretation)
        self.panel = kept(self._panel)
        self.sign = kept(self._sign)
        self.detail = cache(self._detail)
        self.unit = cache(self._unit)
        self.circumstances = cache(self._circumstances)
        self.at_birth = {i.id for i in catalogue.items.values() if i.minutes_after_birth is not None}
        self.beside = components_beside(catalogue)
        self.split = {i.id for i in catalogue.items.values() if members and i.type is ItemType.SCORE} | {*self.beside}
        self.outside_panels = {i.id for i in catalogue.items.values() if not catalogue.in_panel(i)}
        self.observations: dict[Form | Kept, ObservationTemplate | None] = {}
        self._seal = seal
        self._ranges: dict[tuple[int, str | None], list[Json]] = {}

    def _circumstances(
        self,
        item_id: str,
        side: Side | None,
        site: str | None,
        method: str | None,
        state: str | None,
        urgency: Urgency | None,
        other_unit: str | None,
        own_question: bool,
    ) -> Circumstances:
        item = self.catalogue.items[item_id]
        place, named = site or item.body_site, self.catalogue.sites[site].side if site else None
        details = []
        if side is not None:
            details.append(self._side(side, True))
        elif named is not None or item.sides in (Sides.PAIR, Sides.EITHER):  # named by the place, or of the pair
            details.append(self._side(named or Side.BOTH, False))
        if state is not None:
            details.append(self._state(state))
        return Circumstances(
            meta=self._seal({"profile": [item.profile]}) if item.profile else None,
            category=self.category(self.catalogue.category(item)),
            question=self.question(item_id, side, site, method, other_unit, own_question),
            body_site=self._seal(self._body_site(place, side, site is not None)) if place else None,
            details=[self._seal(self.as_detail(detail, item)) for detail in details],
            marked=[self._seal(self.as_detail(self._urgency(urgency), item))] if urgency is not None else [],
        )

    def keep(self, form: Form | Kept, first: Json, digits_alone: bool) -> ObservationTemplate | None:
        """Keep the Observation of a form as the template of all others; ``digits_alone``: they differ in no more.

        None where they do, which is kept too: of a number that was converted, the captured amounts stand beside it.
        """
        if len(self.observations) >= _MOST_TEMPLATES:
            self.observations.clear()
        template = self.observations[form] = ObservationTemplate(first) if digits_alone else None
        return template

    def as_detail(self, detail: Json, item: Item) -> Json:
        """A detail as the component it is; of a vital sign as a complex extension.

        R4 binds the value of every component of a vital sign to units (ucum-vitals-common, required).
        """
        return self.as_extension(detail) if item.profile else detail

    def as_extension(self, detail: Json) -> Json:
        """A component of code and value as a complex extension."""
        value = {name: content for name, content in detail.items() if name != "code"}
        parts = [{"url": "code", "valueCodeableConcept": detail["code"]}, {"url": "value", **value}]
        return {"url": f"{self.catalogue.settings.canonical}/{DETAIL}", "extension": parts}

    def reference_range(self, band: Range, item: Item, other: str | None) -> list[Json]:
        """The expected range of a number in its unit, or in ``other``, into which the ends are converted."""
        key = (id(band), other)  # of the catalogue, which this keeps
        if key not in self._ranges:
            self._ranges[key] = self._seal(
                [reference_range(band, item, other, self.catalogue, self.unit, self.as_printed)]
            )
        return self._ranges[key]

    def _question(
        self,
        item_id: str,
        side: Side | None,
        site: str | None,
        method: str | None,
        other_unit: str | None = None,
        own_question: bool = False,
    ) -> Json:
        """As :meth:`Codings.question`; ``own_question``: the value is no answer to what the published codes ask."""
        coding = self._codings.question(item_id, side, site, method, other_unit, own_question)
        return {"coding": coding, "text": self.catalogue.items[item_id].label}

    def _answer(self, item_id: str, answer_id: str) -> Json:
        return _concept(self._codings.answer(item_id, answer_id))

    def _sign(self, item_id: str, sign_id: str, answer_id: str) -> Json:
        """The component of a sign and its answer."""
        answer = _concept(self._codings.sign_answer(item_id, sign_id, answer_id))
        return {"code": _concept(self._codings.sign(item_id, sign_id)), "valueCodeableConcept": answer}

    def _component(self, item_id: str, component_id: str) -> Json:
        return _concept(self._codings.component(item_id, component_id))

    def _category(self, category: Category) -> list[Json]:
        return [{"coding": [{"system": CATEGORY, "code": category.value, "display": _CATEGORY_DISPLAY[category]}]}]

    def _body_site(self, site_id: str, side: Side | None, captured: bool) -> Json:
        """A place of the body; its side is told apart too. ``captured``: the examiner chose it."""
        site = self.catalogue.sites[site_id]
        coding = self._codings.body_site(site_id, side)
        if captured:
            coding[-1]["userSelected"] = True
        text = site.label
        if side is not None and site.side is None:
            text = self.catalogue.words.listed((site.label, self.catalogue.sides[side.value].inline))
        return {"coding": coding, "text": text}

    def _method(self, method_id: str, captured: bool) -> Json:
        method = self.catalogue.methods[method_id]
        own = self.own("method", method.id, method.label)
        if captured:
            own["userSelected"] = True
        return {"coding": [*self.published(method.codes), own], "text": method.label}

    def _maker(self, maker: Maker) -> Json:
        """The rule, table or algorithm that made a finding, with its version and source."""
        source, words = self.catalogue.sources.get(maker.source), self.catalogue.words
        text = words.clauses((maker.said(words), source.label if source else maker.source))
        return {"coding": [self.own("rule", maker.id, maker.label)], "text": text}

    def _absent(self, reason_id: str) -> Json:
        reason = self.catalogue.reasons[reason_id]
        standard = {"system": ABSENT, "code": reason.absent, "display": _ABSENT_DISPLAY[reason.absent]}
        return {"coding": [standard, *self._codings.term("reason", reason)], "text": reason.label}

    def _not_done(self, item_id: str, side: Side | None, reason_id: str) -> list[Json]:
        """The published question for the reason, answered with it; none where there is no such question."""
        asked = self.published(self.catalogue.items[item_id].not_done.of(side))
        if not asked:
            return []
        ours = self._detail("not-done-reason")
        reason = _concept(self._codings.term("reason", self.catalogue.reasons[reason_id]))
        question = {"coding": [*asked, *ours["coding"]], "text": ours["text"]}
        return [self._seal({"code": question, "valueCodeableConcept": reason})]

    def _interpretation(self, meaning: Meaning, flag: Flag, urgency: Urgency) -> list[Json]:
        """HL7 v3 code where one fits, and our own, which keeps a variant apart from what is expected."""
        own = self.own("meaning", meaning.value, self.catalogue.meanings[meaning.value].label)
        code = interpretation_code(meaning, flag, urgency)
        if code is None:
            return [{"coding": [own]}]
        return [{"coding": [{"system": INTERPRETATION, "code": code, "display": _FLAG_DISPLAY[code]}, own]}]

    def _detail(self, code: str) -> Json:
        label = self.catalogue.details[code].label
        return {"coding": [self.own("detail", code, label)], "text": label}

    def _side(self, side: Side, captured: bool) -> Json:
        *published, own = self._codings.side(side)
        if captured:
            own = {**own, "userSelected": True}
        value = _concept([*published, own])
        return {"code": self.detail("side"), "valueCodeableConcept": value}

    def _state(self, state_id: str) -> Json:
        value = _concept(self._codings.term("state", self.catalogue.states[state_id]))
        return {"code": self.detail("state"), "valueCodeableConcept": value}

    def _urgency(self, urgency: Urgency) -> Json:
        return {"code": self.detail("urgency"), "valueCodeableConcept": _concept([self._codings.urgency(urgency)])}

    def _panel(self, region_id: str) -> Json:
        return _concept(self._codings.region(region_id))

    def _unit(self, ucum: str, spelling: str) -> Json:
        return self._codings.unit(ucum, spelling)

    def as_printed(self, quantity: Json, spelling: str = "") -> Json:
        """A quantity with its unit in the words that the site prints, if any; ``spelling`` is then kept beside."""
        printed = self.catalogue.units[quantity["code"]].printed
        if printed is None:
            return quantity
        kept = {"url": f"{self.catalogue.settings.canonical}/{WRITTEN_UNIT}", "valueString": spelling}
        beside = {"extension": [kept]} if spelling not in ("", printed) else {}
        return {**beside, **quantity, "unit": printed}


def written_unit(quantity: Json, catalogue: Catalogue) -> Any:
    """The unit of a Quantity as the examiner wrote it, also where it is shown in other words."""
    url, extensions = f"{catalogue.settings.canonical}/{WRITTEN_UNIT}", quantity.get("extension")
    for extension in extensions if isinstance(extensions, list) else ():
        if isinstance(extension, dict) and extension.get("url") == url:
            return extension.get("valueString")
    return quantity.get("unit")


def interpretation_code(meaning: Meaning, flag: Flag, urgency: Urgency) -> str | None:
    """The HL7 v3 ObservationInterpretation of a judgement; None where no code says it.

    A variant is not "Normal": only the Low or High of a number says something of it. R4 binds extensibly, so our own
    code stands alone then. ``AA`` is for a finding that asks for action at once (critical abnormal).
    """
    if meaning is Meaning.VARIANT and flag is Flag.NORMAL:
        return None
    return "AA" if flag is Flag.ABNORMAL and urgency is Urgency.TELL_NOW else flag.value


def _concept(coding: list[Json]) -> Json:
    """A CodeableConcept whose words are those of our own coding, the last."""
    return {"coding": coding, "text": coding[-1]["display"]}
