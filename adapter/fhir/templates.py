"""The static parts of every Observation, compiled once per catalogue: questions, answers, sites, meanings.

A compiled part is a plain dict that many resources share; nobody changes one after it was made.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import Any

from adapter.catalogue import Catalogue, Flag, Meaning
from adapter.catalogue.codings import Codings, codings
from adapter.derive import Maker
from adapter.exam import Side, Urgency

Json = dict[str, Any]

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
        self._codings: Codings = codings(catalogue)
        self.own, self.published = self._codings.own, self._codings.published
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

    def _question(
        self, item_id: str, side: Side | None, site: str | None, method: str | None, other_unit: str | None = None
    ) -> Json:
        """``other_unit``: the value is in a unit of another dimension, which has published codes of its own."""
        coding = self._codings.question(item_id, side, site, method, other_unit)
        return {"coding": coding, "text": self.catalogue.items[item_id].label}

    def _answer(self, item_id: str, answer_id: str) -> Json:
        return _concept(self._codings.answer(item_id, answer_id))

    def _sign(self, item_id: str, sign_id: str) -> Json:
        return _concept(self._codings.sign(item_id, sign_id))

    def _sign_answer(self, item_id: str, sign_id: str, answer_id: str) -> Json:
        return _concept(self._codings.sign_answer(item_id, sign_id, answer_id))

    def _component(self, item_id: str, component_id: str) -> Json:
        return _concept(self._codings.component(item_id, component_id))

    def _category(self, category: str) -> list[Json]:
        return [{"coding": [{"system": CATEGORY, "code": category, "display": _CATEGORY_DISPLAY[category]}]}]

    def _body_site(self, site_id: str, side: Side | None, captured: bool) -> Json:
        """The lateralised structure where a verified one exists, else the structure; the side is told apart too."""
        site = self.catalogue.sites[site_id]
        lateral = {Side.LEFT: site.left, Side.RIGHT: site.right}.get(side) if side else ()
        own = self.own("site", site.id, site.label)
        if captured:
            own["userSelected"] = True
        text = site.label
        if side is not None and site.side is None:
            text = f"{site.label}, {self.catalogue.sides[side.value].label.lower()}"
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
        return {"coding": [standard, *self._codings.term("reason", reason)], "text": reason.label}

    def _interpretation(self, meaning: Meaning, flag: Flag, urgency: Urgency) -> list[Json]:
        """HL7 v3 code, and our own that keeps a variant apart from what is expected.

        ``AA`` is for a finding that asks for action at once (v3 ObservationInterpretation, critical abnormal).
        """
        code = "AA" if flag is Flag.ABNORMAL and urgency is Urgency.TELL_NOW else flag.value
        standard = {"system": INTERPRETATION, "code": code, "display": _FLAG_DISPLAY[code]}
        own = self.own("meaning", meaning.value, self.catalogue.meanings[meaning.value].label)
        return [{"coding": [standard, own]}]

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


def _concept(coding: list[Json]) -> Json:
    """A CodeableConcept whose words are those of our own coding, the last."""
    return {"coding": coding, "text": coding[-1]["display"]}
