"""The static parts of every Observation, compiled once per catalogue: questions, answers, sites, meanings.

A compiled part is a plain dict that many resources share; nobody changes one after it was made. Of what is only to be
written, the parts are compiled to their bytes (:func:`adapter.fhir.json.sealed`): the same mapping, written faster.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any, ParamSpec

from adapter.catalogue import Catalogue, Code, Flag, Item, Meaning, Range, Sides, Sign
from adapter.derive import Maker
from adapter.exam import Quantity, Side, Urgency
from adapter.fhir.alike import Alike
from adapter.fhir.json import sealed
from adapter.fhir.ranges import Json, reference_range

_Given = ParamSpec("_Given")

_MOST_ALIKE = 20_000
DETAIL = "StructureDefinition/finding-detail"

CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
ORDINAL = "http://hl7.org/fhir/StructureDefinition/ordinalValue"

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
    "temp-unknown": "Temporarily Unknown",
    "asked-declined": "Asked But Declined",
    "not-permitted": "Not Permitted",
    "not-applicable": "Not Applicable",
    "not-performed": "Not Performed",
    "unsupported": "Unsupported",
    "unknown": "Unknown",
    "error": "Error",
}
_SIDES = {
    Side.LEFT: Code(system="snomed", code="7771000", display="Left (qualifier value)"),
    Side.RIGHT: Code(system="snomed", code="24028007", display="Right (qualifier value)"),
    Side.BOTH: Code(system="snomed", code="51440002", display="Right and left (qualifier value)"),
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
def templates(catalogue: Catalogue, written: bool = False) -> Templates:
    """The compiled parts of a catalogue; ``written``: as bytes, for what is only to be written."""
    return Templates(catalogue, written)


class Templates:
    """Compiled parts by what they depend on; each is made when first asked for."""

    def __init__(self, catalogue: Catalogue, written: bool) -> None:
        seal: Callable[[Any], Any] = sealed if written else lambda part: part

        def kept(make: Callable[_Given, Json]) -> Callable[_Given, Json]:
            return cache(lambda *given, **named: seal(make(*given, **named)))

        self.catalogue = catalogue
        self.written = written
        self.question = kept(self._question)
        self.answer = kept(self._answer)
        self.component = kept(self._component)
        self.category = cache(lambda category: seal(self._category(category)))
        self.method = kept(self._method)
        self.absent = kept(self._absent)
        self.maker = kept(self._maker)
        self.interpretation = cache(lambda *given: seal(self._interpretation(*given)))
        self.panel = kept(self._panel)
        self.sign = kept(self._sign)
        self.detail = cache(self._detail)
        self.unit = cache(self._unit)
        self.circumstances = cache(self._circumstances)
        self.at_birth = {i.id for i in catalogue.items.values() if i.minutes_after_birth is not None}
        self.alike: dict[tuple[object, ...], Alike] = {}
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
    ) -> Circumstances:
        item = self.catalogue.items[item_id]
        place, named = site or item.body_site, self.catalogue.sites[site].side if site else None
        details = []
        if side is not None:
            details.append(self._side(side, True))
        elif named is not None or item.sides is Sides.PAIR:  # the place has it in its name, or it is about the pair
            details.append(self._side(named or Side.BOTH, False))
        if state is not None:
            details.append(self._state(state))
        return Circumstances(
            meta=self._seal({"profile": [item.profile]}) if item.profile else None,
            category=self.category(self.catalogue.category(item).value),
            question=self.question(item_id, side, site, method, other_unit),
            body_site=self._seal(self._body_site(place, side, site is not None)) if place else None,
            details=[self._seal(self.as_detail(detail, item)) for detail in details],
            marked=[self._seal(self.as_detail(self._urgency(urgency), item))] if urgency is not None else [],
        )

    def keep_alike(self, key: tuple[object, ...], first: Json, value: object) -> Alike | None:
        """Keep an Observation for others like it, by all that they depend on; not one whose number was converted."""
        measured = isinstance(value, Quantity)
        if measured and "extension" in first["valueQuantity"]:
            return None
        if len(self.alike) >= _MOST_ALIKE:
            self.alike.clear()
        alike = self.alike[key] = Alike(first, measured)
        return alike

    def as_detail(self, detail: Json, item: Item) -> Json:
        """A detail as the component it is; of a vital sign as a complex extension.

        R4 binds the value of every component of a vital sign to units (ucum-vitals-common, required).
        """
        if not item.profile:
            return detail
        value = {name: content for name, content in detail.items() if name != "code"}
        parts = [{"url": "code", "valueCodeableConcept": detail["code"]}, {"url": "value", **value}]
        return {"url": f"{self.catalogue.settings.canonical}/{DETAIL}", "extension": parts}

    def reference_range(self, band: Range, item: Item, other: str | None) -> list[Json]:
        """The expected range of a number in its unit, or in ``other``, into which the ends are converted."""
        key = (id(band), other)  # of the catalogue, which this keeps
        if key not in self._ranges:
            self._ranges[key] = self._seal([reference_range(band, item, other, self.catalogue, self.unit)])
        return self._ranges[key]

    def coding(self, code: Code) -> Json:
        """A code as FHIR Coding; the display only where it is a verified one."""
        coding = {"system": self.catalogue.uri(code.system), "code": code.code}
        if code.display:
            coding["display"] = code.display
        return coding

    def own(self, system: str, code: str, display: str) -> Json:
        """A code of the project's own."""
        return {"system": self.catalogue.uri(system), "code": code, "display": display}

    def published(self, codes: tuple[Code, ...]) -> list[Json]:
        """The published codings that this site sends."""
        return [self.coding(code) for code in codes if self.catalogue.sends(code)]

    def _question(
        self, item_id: str, side: Side | None, site: str | None, method: str | None, other_unit: str | None = None
    ) -> Json:
        """``other_unit``: the value is in a unit of another dimension, which has published codes of its own."""
        item = self.catalogue.items[item_id]
        codes = next((o.codes for o in item.other_units if o.unit == other_unit), item.codes)
        further: tuple[Code, ...] = ()
        for by, key in ((item.codes_by.side, side), (item.codes_by.site, site), (item.codes_by.method, method)):
            further += by.get(key, ()) if key is not None else ()  # type: ignore[call-overload]
        codings = [*self.published(codes + further), self.own("item", item.id, item.label)]
        return {"coding": codings, "text": item.label}

    def _answer(self, item_id: str, answer_id: str) -> Json:
        answer = self.catalogue.items[item_id].answer(answer_id)
        assert answer is not None, f"{item_id} has no answer {answer_id}"
        own = self.own("answer", f"{item_id}.{answer_id}", answer.label)
        return {"coding": [*self.published(answer.codes), own], "text": answer.label}

    def _sign(self, item_id: str, sign_id: str, answer_id: str) -> Json:
        """The component of a sign and its answer."""
        sign = self._find_sign(item_id, sign_id)
        own = self.own("component", f"{item_id}.{sign_id}", sign.label)
        code = {"coding": [*self.published(sign.codes), own], "text": sign.label}
        return {"code": code, "valueCodeableConcept": self._sign_answer(item_id, sign_id, answer_id)}

    def _sign_answer(self, item_id: str, sign_id: str, answer_id: str) -> Json:
        answer = next(a for a in self._find_sign(item_id, sign_id).answers if a.id == answer_id)
        points = {"url": ORDINAL, "valueDecimal": answer.points}
        own = self.own("answer", f"{item_id}.{sign_id}.{answer_id}", answer.label)
        return {
            "coding": [*self.published(answer.codes), {"extension": [points], **own}],
            "text": answer.label,
        }

    def _find_sign(self, item_id: str, sign_id: str) -> Sign:
        sign = self.catalogue.items[item_id].sign(sign_id)
        assert sign is not None, f"{item_id} has no sign {sign_id}"
        return sign

    def _component(self, item_id: str, component_id: str) -> Json:
        component = self.catalogue.items[item_id].component(component_id)
        assert component is not None, f"{item_id} has no component {component_id}"
        own = self.own("component", f"{item_id}.{component_id}", component.label)
        return {"coding": [*self.published(component.codes), own], "text": component.label}

    def _category(self, category: str) -> list[Json]:
        return [{"coding": [{"system": CATEGORY, "code": category, "display": _CATEGORY_DISPLAY[category]}]}]

    def _body_site(self, site_id: str, side: Side | None, captured: bool) -> Json:
        """The lateralised structure where a verified one exists, else the structure; the side is told apart too."""
        site = self.catalogue.sites[site_id]
        side = site.side or side
        lateral = {Side.LEFT: site.left, Side.RIGHT: site.right}.get(side) if side else ()
        own = self.own("site", site.id, site.label)
        if captured:
            own["userSelected"] = True
        text = site.label if side is None or site.side else f"{site.label}, {side.value}"
        return {"coding": [*self.published(lateral or site.codes), own], "text": text}

    def _method(self, method_id: str, captured: bool) -> Json:
        method = self.catalogue.methods[method_id]
        own = self.own("method", method.id, method.label)
        if captured:
            own["userSelected"] = True
        return {"coding": [*self.published(method.codes), own], "text": method.label}

    def _maker(self, maker: Maker) -> Json:
        """The rule, table or algorithm that made a finding, with its version and source."""
        source = self.catalogue.sources.get(maker.source)
        text = f"{maker}; {source.label if source else maker.source}"
        return {"coding": [self.own("rule", maker.id, maker.label)], "text": text}

    def _absent(self, reason_id: str) -> Json:
        reason = self.catalogue.reasons[reason_id]
        standard = {"system": ABSENT, "code": reason.absent, "display": _ABSENT_DISPLAY[reason.absent]}
        own = self.own("reason", reason.id, reason.label)
        return {"coding": [standard, *self.published(reason.codes), own], "text": reason.label}

    def _interpretation(self, meaning: Meaning, flag: Flag, urgency: Urgency) -> list[Json]:
        """HL7 v3 code, and our own that keeps a variant apart from what is expected.

        ``AA`` is for a finding that asks for action at once (v3 ObservationInterpretation, critical abnormal).
        """
        code = "AA" if flag is Flag.ABNORMAL and urgency is Urgency.TELL_NOW else flag.value
        standard = {"system": INTERPRETATION, "code": code, "display": _FLAG_DISPLAY[code]}
        return [{"coding": [standard, self.own("meaning", meaning.value, meaning.value.capitalize())]}]

    def _detail(self, code: str, display: str) -> Json:
        return {"coding": [self.own("detail", code, display)], "text": display}

    def _side(self, side: Side, captured: bool) -> Json:
        own = self.own("side", side.value, side.value.capitalize())
        if captured:
            own["userSelected"] = True
        value = {"coding": [*self.published((_SIDES[side],)), own], "text": side.value.capitalize()}
        return {"code": self.detail("side", "Side"), "valueCodeableConcept": value}

    def _state(self, state_id: str) -> Json:
        state = self.catalogue.states[state_id]
        own = self.own("state", state.id, state.label)
        value = {"coding": [*self.published(state.codes), own], "text": state.label}
        return {"code": self.detail("state", "State of the infant"), "valueCodeableConcept": value}

    def _urgency(self, urgency: Urgency) -> Json:
        own = self.own("urgency", urgency.value, urgency.value.replace("-", " ").capitalize())
        code = self.detail("urgency", "Urgency marked by the examiner")
        return {"code": code, "valueCodeableConcept": {"coding": [own], "text": own["display"]}}

    def _panel(self, region_id: str) -> Json:
        region = self.catalogue.regions[region_id]
        own = self.own("region", region.region, region.label)
        return {"coding": [*self.published(region.codes), own], "text": region.label}

    def _unit(self, ucum: str, spelling: str) -> Json:
        return {"unit": spelling, "system": self.catalogue.uri("ucum"), "code": ucum}
