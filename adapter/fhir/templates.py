"""The static parts of every Observation, compiled once per catalogue: questions, answers, sites, meanings.

A compiled part is a plain dict that many resources share; nobody changes one after it was made.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import Any

from adapter.catalogue import Catalogue, Code, Flag, Meaning, Sign
from adapter.derive import Maker
from adapter.exam import Side, Urgency

Json = dict[str, Any]

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


@lru_cache(maxsize=8)
def templates(catalogue: Catalogue) -> Templates:
    """The compiled parts of a catalogue."""
    return Templates(catalogue)


class Templates:
    """Compiled parts by what they depend on; each is made when first asked for."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        self.question = cache(self._question)
        self.answer = cache(self._answer)
        self.sign_answer = cache(self._sign_answer)
        self.sign = cache(self._sign)
        self.component = cache(self._component)
        self.category = cache(self._category)
        self.body_site = cache(self._body_site)
        self.method = cache(self._method)
        self.absent = cache(self._absent)
        self.maker = cache(self._maker)
        self.interpretation = cache(self._interpretation)
        self.detail = cache(self._detail)
        self.side = cache(self._side)
        self.state = cache(self._state)
        self.urgency = cache(self._urgency)
        self.panel = cache(self._panel)
        self.unit = cache(self._unit)

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

    def _sign(self, item_id: str, sign_id: str) -> Json:
        sign = self._find_sign(item_id, sign_id)
        own = self.own("component", f"{item_id}.{sign_id}", sign.label)
        return {"coding": [*self.published(sign.codes), own], "text": sign.label}

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
        lateral = {Side.LEFT: site.left, Side.RIGHT: site.right}.get(side) if side else ()
        own = self.own("site", site.id, site.label)
        if captured:
            own["userSelected"] = True
        text = (
            site.label
            if side is None or site.side
            else f"{site.label}, {self.catalogue.sides[side.value].label.lower()}"
        )
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
        return [
            {"coding": [standard, self.own("meaning", meaning.value, self.catalogue.meanings[meaning.value].label)]}
        ]

    def _detail(self, code: str) -> Json:
        label = self.catalogue.details[code].label
        return {"coding": [self.own("detail", code, label)], "text": label}

    def _side(self, side: Side, captured: bool) -> Json:
        term = self.catalogue.sides[side.value]
        own = self.own("side", term.id, term.label)
        if captured:
            own["userSelected"] = True
        value = {"coding": [*self.published(term.codes), own], "text": term.label}
        return {"code": self.detail("side"), "valueCodeableConcept": value}

    def _state(self, state_id: str) -> Json:
        state = self.catalogue.states[state_id]
        own = self.own("state", state.id, state.label)
        value = {"coding": [*self.published(state.codes), own], "text": state.label}
        return {"code": self.detail("state"), "valueCodeableConcept": value}

    def _urgency(self, urgency: Urgency) -> Json:
        term = self.catalogue.urgencies[urgency.value]
        own = self.own("urgency", term.id, term.label)
        concept = {"coding": [*self.published(term.codes), own], "text": term.label}
        return {"code": self.detail("urgency"), "valueCodeableConcept": concept}

    def _panel(self, region_id: str) -> Json:
        region = self.catalogue.regions[region_id]
        own = self.own("region", region.region, region.label)
        return {"coding": [*self.published(region.codes), own], "text": region.label}

    def _unit(self, ucum: str, spelling: str) -> Json:
        return {"unit": spelling, "system": self.catalogue.uri("ucum"), "code": ucum}
