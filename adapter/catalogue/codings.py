"""What the catalogue's entries are called in code systems: the codings of every question and answer, one for all.

A coding is a plain dict in the shape of FHIR R4 Coding (section 2.24.0.5). Published codings come first, as the site
sends them; the project's own is always the last, so that nothing loses its name where no published code exists. A
compiled list is shared by many resources; nobody changes one after it was made.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import Any

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.model import Code, Item, Sign
from adapter.catalogue.proof import Verdict
from adapter.catalogue.vocabulary import Term
from adapter.exam.model import Side, Urgency

Coding = dict[str, Any]

ORDINAL = "http://hl7.org/fhir/StructureDefinition/ordinalValue"


@lru_cache(maxsize=8)
def codings(catalogue: Catalogue) -> Codings:
    """The codings of a catalogue."""
    return Codings(catalogue)


class Codings:
    """Codings by what they are of; each list is made when first asked for."""

    def __init__(self, catalogue: Catalogue) -> None:
        self.catalogue = catalogue
        items = catalogue.items.values()
        self._own_questions = {(i.id, a.id) for i in items for a in i.answers if a.own_question}
        self.question = cache(self._question)
        self.answer = cache(self._answer)

    def coding(self, code: Code) -> Coding:
        """A code as FHIR Coding; the display only where it is verified, the version where the terms ask for it.

        A site may want the edition that its proof is of, and that edition's names, sent with them.
        """
        proof = self.catalogue.proof if self.catalogue.settings.proof.sent else None
        held = proof.by_code.get((code.system, code.code)) if proof else None
        proved = held if held is not None and held.verdict is not Verdict.UNPROVED else None
        version, display = self.catalogue.systems[code.system].version, code.display
        if proof is not None and proved is not None:
            version, display = version or proof.edition(code.system), display or proved.name
        coding = {"system": self.catalogue.uri(code.system)}
        if version is not None:
            coding["version"] = version
        coding["code"] = code.code
        if display:
            coding["display"] = display
        return coding

    def own(self, system: str, code: str, display: str) -> Coding:
        """A code of the project's own."""
        return {"system": self.catalogue.uri(system), "code": code, "display": display}

    def published(self, codes: tuple[Code, ...]) -> list[Coding]:
        """The published codings that this site sends."""
        return [self.coding(code) for code in codes if self.catalogue.sends(code)]

    def _question(
        self,
        item_id: str,
        side: Side | None = None,
        site: str | None = None,
        method: str | None = None,
        other_unit: str | None = None,
        own_only: bool = False,
    ) -> list[Coding]:
        """``other_unit``: the value is in a unit of another dimension, which has published codes of its own.

        ``own_only``: the answer is not to what the published codes ask (:meth:`own_question`).
        """
        item = self.catalogue.items[item_id]
        if own_only:
            return [self.own("item", item.id, item.label)]
        codes = next((o.codes for o in item.other_units if o.unit == other_unit), item.codes)
        further: tuple[Code, ...] = ()
        for by, key in ((item.codes_by.side, side), (item.codes_by.site, site), (item.codes_by.method, method)):
            further += by.get(key, ()) if key is not None else ()  # type: ignore[call-overload]
        return [*self.published(codes + further), self.own("item", item.id, item.label)]

    def own_question(self, item_id: str, value: object) -> bool:
        """Whether a value is an answer to our own question alone, and not to the published codes of the item."""
        return isinstance(value, str) and (item_id, value) in self._own_questions

    def _answer(self, item_id: str, answer_id: str) -> list[Coding]:
        answer = self.catalogue.items[item_id].answer(answer_id)
        assert answer is not None, f"{item_id} has no answer {answer_id}"
        return [*self.published(answer.codes), self.own("answer", f"{item_id}.{answer_id}", answer.label)]

    def component(self, item_id: str, component_id: str) -> list[Coding]:
        """One number of a measurement that has several."""
        component = self.catalogue.items[item_id].component(component_id)
        assert component is not None, f"{item_id} has no component {component_id}"
        own = self.own("component", f"{item_id}.{component_id}", component.label)
        return [*self.published(component.codes), own]

    def sign(self, item_id: str, sign_id: str) -> list[Coding]:
        """One sign of a score."""
        sign = find_sign(self.catalogue.items[item_id], sign_id)
        return [*self.published(sign.codes), self.own("component", f"{item_id}.{sign_id}", sign.label)]

    def sign_answer(self, item_id: str, sign_id: str, answer_id: str) -> list[Coding]:
        """One answer of a sign; our own coding has its points in the standard extension ``ordinalValue``."""
        sign = find_sign(self.catalogue.items[item_id], sign_id)
        answer = next(a for a in sign.answers if a.id == answer_id)
        points = {"url": ORDINAL, "valueDecimal": answer.points}
        own = self.own("answer", f"{item_id}.{sign_id}.{answer_id}", answer.label)
        return [*self.published(answer.codes), {"extension": [points], **own}]

    def term(self, system: str, term: Term) -> list[Coding]:
        """An entry of a plain list: a method, a state, a reason, a role, a kind of exam."""
        return [*self.published(term.codes), self.own(system, term.id, term.label)]

    def body_site(self, site_id: str, side: Side | None) -> list[Coding]:
        """A place: the lateralised structure where a verified one exists, else the structure."""
        site = self.catalogue.sites[site_id]
        by_side = {Side.LEFT: site.left, Side.RIGHT: site.right}
        codes = by_side.get(site.side or side or Side.BOTH) or site.codes
        return [*self.published(codes), self.own("site", site.id, site.label)]

    def region(self, region_id: str) -> list[Coding]:
        """A body region, as the panel of its findings."""
        region = self.catalogue.regions[region_id]
        return [*self.published(region.codes), self.own("region", region.region, region.label)]

    def kind(self, kind_id: str) -> list[Coding]:
        """A kind of exam."""
        kind = self.catalogue.kinds[kind_id]
        return [*self.published(kind.codes), self.own("kind", kind.id, kind.label)]

    def side(self, side: Side) -> list[Coding]:
        """The infant's own side."""
        return self.term("side", self.catalogue.sides[side.value])

    def urgency(self, urgency: Urgency) -> Coding:
        """How soon the provider must hear of it, as the examiner marked it."""
        return self.own("urgency", urgency.value, self.catalogue.urgencies[urgency.value].label)

    def unit(self, ucum: str, spelling: str) -> dict[str, str]:
        """A unit as the last three elements of FHIR Quantity."""
        return {"unit": spelling, "system": self.catalogue.uri("ucum"), "code": ucum}


def find_sign(item: Item, sign_id: str) -> Sign:
    """The sign of a score, which must have it."""
    sign = item.sign(sign_id)
    assert sign is not None, f"{item.id} has no sign {sign_id}"
    return sign
