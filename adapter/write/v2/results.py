"""An Observation as its OBX and NTE segments: the published map OBX[Observation] read backwards.

Source of the maps: HL7 Version 2 to FHIR (hl7.org/fhir/uv/v2mappings), segment OBX[Observation], data types
CWE[CodeableConcept], CWE[Quantity], SN[Quantity], tables 0078 (InterpretationCodes) and 0085
(ObservationResultStatusCodesInterpretation). OBX-20 (site) and OBX-21 (identifier) of the map came with v2.6; in
v2.5.1 they are reserved, so the side stands in OBX-4 and in the text of OBX-3, the site in an OBX of its own.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal

from adapter import SOFTWARE
from adapter.catalogue import Catalogue, Words
from adapter.catalogue.codings import ORDINAL
from adapter.fhir.json import Json
from adapter.fhir.observation import CAPTURED, CAPTURING, JUDGING, ON_RECORD, SUMMED
from adapter.fhir.parts import DETAIL, INTERPRETATION
from adapter.v2.er7 import formatted, joined, moment, segment, text
from adapter.write.v2.coded import Coder

REMARK = "RE"
"""The examiner's note (NTE-4, table 0364); every other type of comment is our own, named by the word list."""

STATUS = {"final": "F", "amended": "C", "entered-in-error": "W", "cancelled": "X", "registered": "X"}
"""Table 0085. The map takes ``amended`` from A, whose text speaks of demographics; C is the record that "replaces a
final result", which an amended exam does. ``registered`` (put off) has no code: it is not obtained now."""

LONGEST_ST = 199

_ELSEWHERE = ("side", "not-done-reason")
"""Details that stand in OBX-4, and in the comment on why it was not examined."""


@dataclass(slots=True)
class Result:
    """One OBX to be: its fields by number, and the comments under it (type, encoded text)."""

    fields: dict[int, str]
    comments: list[tuple[str, str]] = field(default_factory=list)


class Results:
    """Writes the Observations of one exam; ``observers`` is OBX-16 for all of them."""

    def __init__(self, catalogue: Catalogue, coder: Coder, observers: str) -> None:
        self._catalogue, self._coder, self._observers = catalogue, coder, observers
        self._settings, self._words = catalogue.v2, catalogue.words

    def of(self, observation: Json, sub_id: str) -> list[Result]:
        """The OBX segments of an Observation, which share ``sub_id``; its comments stand under the first."""
        label = ", ".join([observation["code"].get("text", ""), *self._where(observation)])
        found, details = [], []
        if any(key.startswith("value") for key in observation) or "dataAbsentReason" in observation:
            found.append(self._result(observation, label))
        for component in [*observation.get("component", []), *self._extended(observation)]:
            if self._detail(component):
                details.append(component)
            elif "dataAbsentReason" not in component:
                found.append(self._result(component, f"{label}: {component['code'].get('text', '')}"))
        found[0].comments += self._comments(observation)
        method, summed = self._method(observation), any(kind == "summed" for kind, _ in found[0].comments)
        for one in found[:1] if summed else found:
            one.fields[17] = method
        found += [self._result(one, prefix="detail.") for one in details if self._detail(one) not in _ELSEWHERE]
        found += self._site(observation)
        shared = {
            4: text(sub_id),
            11: STATUS[observation["status"]],
            14: moment(datetime.fromisoformat(observation["effectiveDateTime"])),
            16: self._observers,
        }
        for one in found:
            one.fields |= shared
        return found

    def _result(self, node: Json, words: str | None = None, prefix: str = "") -> Result:
        """An Observation or one of its components by itself; ``words`` are the text of our code."""
        made = Result({3: self._coder.concept(node["code"], words, prefix)})
        made.fields |= self._value(node)
        for coding in node["interpretation"][0]["coding"] if "interpretation" in node else ():
            if coding["system"] == INTERPRETATION:  # table 0078 has no code for a variant: then OBX-8 is empty
                made.fields[8] = text(coding["code"])
        if "referenceRange" in node:
            value = node.get("valueQuantity", {}).get("value", node.get("valueInteger", 0))
            made.fields[7] = text(reference_range(node["referenceRange"][0], Decimal(value)))
        captured = self._captured(node.get("valueQuantity", {}))
        if captured:
            made.comments.append(("captured", formatted(self._words.say("note.captured_only", value=captured))))
        return made

    def _value(self, node: Json) -> dict[int, str]:
        if "valueQuantity" in node:
            quantity = node["valueQuantity"]
            number, unit = f"{quantity['value']:f}", self._coder.unit(quantity)
            if "comparator" in quantity:
                return {2: "SN", 5: joined([text(quantity["comparator"]), number]), 6: unit}
            return {2: "NM", 5: number, 6: unit}
        if "valueInteger" in node:
            return {2: "NM", 5: str(node["valueInteger"])}
        if "valueDateTime" in node:
            return {2: "TS", 5: moment(datetime.fromisoformat(node["valueDateTime"]))}
        if "valueCodeableConcept" in node:
            concept = node["valueCodeableConcept"]
            if "coding" not in concept:
                return self.words(concept["text"])
            return {2: self._settings.coded_values, 5: self._coder.concept(concept, with_points(concept))}
        if "valueString" in node:
            return self.words(node["valueString"])
        if "dataAbsentReason" in node and self._settings.not_examined == "reason":
            return {2: self._settings.coded_values, 5: self._coder.concept(node["dataAbsentReason"])}
        return {}

    def words(self, value: str) -> dict[int, str]:
        """Text as OBX-2 and OBX-5: ST for a line that it can hold, else FT or TX as the site has it."""
        if "\n" not in value and len(text(value)) <= LONGEST_ST:
            return {2: "ST", 5: text(value)}
        if self._settings.text_values == "FT":
            return {2: "FT", 5: formatted(value)}
        return {2: "TX", 5: "~".join(text(line) for line in value.split("\n"))}

    def _captured(self, quantity: Json) -> str:
        url = f"{self._catalogue.settings.canonical}/{CAPTURED}"
        amounts = [e["valueQuantity"] for e in quantity.get("extension", []) if e["url"] == url]
        return " ".join(f"{amount['value']:f} {amount['unit']}" for amount in amounts)

    def _comments(self, observation: Json) -> Iterator[tuple[str, str]]:
        """The examiner's note, why it was not examined, and what the software did."""
        words = self._words
        ours = [note["text"] for note in observation.get("note", []) if note.get("authorString") == SOFTWARE]
        for note in observation.get("note", []):
            if note.get("authorString") != SOFTWARE:
                yield REMARK, formatted(note["text"])
        if "dataAbsentReason" in observation:
            reason = self._coder.own_coding(observation["dataAbsentReason"])
            assert reason is not None, "every reason has our code"
            why = words.say("v2.not_examined", reason=reason["display"], code=reason["code"])
            yield "absent", formatted(why)
        if (summed := words.say(SUMMED)) in ours:
            yield "summed", formatted(summed)
        yield from (("unjudged", formatted(one)) for one in ours if words.begins(one, *JUDGING))
        if is_computed(observation, words):
            because = [one for one in ours if not words.begins(one, *CAPTURING, *JUDGING)]
            yield "computed", formatted(" ".join(because) or words.say("v2.computed_by_software"))

    def _method(self, observation: Json) -> str:
        """OBX-17; what the catalogue implies goes without our code, by which a captured method is told from it."""
        method = observation.get("method")
        if method is None:
            return ""
        own = self._coder.own_coding(method) or {}
        if own.get("userSelected") or own.get("system") == self._catalogue.uri("rule"):
            return self._coder.concept(method)
        return self._coder.concept({**method, "coding": [c for c in method["coding"] if c is not own]})

    def _site(self, observation: Json) -> Iterator[Result]:
        """The place that was captured, as an OBX of the same sub-id."""
        site = observation.get("bodySite", {})
        if (self._coder.own_coding(site) or {}).get("userSelected"):
            question = self._coder.pair([], self._coder.ours("detail.site", self._words.say("v2.place")))
            yield Result({3: question, 2: self._settings.coded_values, 5: self._coder.concept(site)})

    def _extended(self, observation: Json) -> Iterator[Json]:
        """The details of a vital sign, which stand in extensions, as components."""
        url = f"{self._catalogue.settings.canonical}/{DETAIL}"
        for extension in observation.get("extension", []):
            if extension["url"] == url:
                parts = {part["url"]: part for part in extension["extension"]}
                value = {k: v for k, v in parts["value"].items() if k != "url"}
                yield {**value, "code": parts["code"]["valueCodeableConcept"]}

    def _detail(self, component: Json) -> str:
        """What a component says of how the finding was made; empty where it is part of the value."""
        own = self._coder.own_coding(component["code"]) or {}
        return str(own["code"]) if own.get("system") == self._catalogue.uri("detail") else ""

    def _where(self, observation: Json) -> Iterator[str]:
        """The side and the place that were captured, in words: whoever sees only OBX-3 must know them."""
        for component in [*observation.get("component", []), *self._extended(observation)]:
            if self._detail(component) == "side":
                side = self._coder.own_coding(component["valueCodeableConcept"]) or {}
                if side.get("userSelected"):
                    yield self._catalogue.sides[side["code"]].inline
        site = self._coder.own_coding(observation.get("bodySite", {})) or {}
        if site.get("userSelected"):
            yield self._catalogue.sites[site["code"]].inline


def with_points(concept: Json) -> str | None:
    """The words of an answer that has points, with them; v2 has no field for an ordinal value."""
    for coding in concept["coding"]:
        for extension in coding.get("extension", []):
            if extension["url"] == ORDINAL:
                return f"{concept['text']} ({extension['valueDecimal']})"
    return None


def is_computed(observation: Json, words: Words) -> bool:
    """Whether the software made it and nobody captured it."""
    notes = [note["text"] for note in observation.get("note", []) if note.get("authorString") == SOFTWARE]
    return bool(observation.get("derivedFrom")) or words.say(ON_RECORD) in notes


def reference_range(node: Json, value: Decimal) -> str:
    """OBX-7 in the forms of v2.5.1 (section 7.4.2.7): ``low-high``, to which both ends belong, ``>low``, ``<high``,
    to which they do not.

    An end that is the other way is written as its neighbour in the last place that the value or an end has, so that
    the same numbers are within: of 273 days, ``>=259 and <294`` is ``259-293``; of ``>=1``, ``>0``.
    """
    ends = {end: node[end]["value"] for end in ("low", "high") if end in node}
    signs = re.findall(r">=|<=|>|<", node["text"].partition(";")[0])
    places = max(-int(one.as_tuple().exponent) for one in (value, *ends.values()))
    step = Decimal(1).scaleb(-max(places, 0))
    both = len(ends) == 2
    found = []
    for (end, number), sign in zip(ends.items(), signs, strict=True):
        inside = sign in (">=", "<=")
        inwards = step if end == "low" else -step
        found.append(number if inside is both else number + inwards if both else number - inwards)
    return "-".join(f"{one:f}" for one in found) if both else f"{'>' if 'low' in ends else '<'}{found[0]:f}"


def comments(given: list[tuple[str, str]], catalogue: Catalogue) -> Iterator[str]:
    """NTE segments: L (the filler) for what people said, O (other) for what the software did (table 0105)."""
    for number, (kind, words) in enumerate(given, start=1):
        type_ = joined([REMARK, "Remark", "HL70364"])
        if kind != REMARK:
            named = text(catalogue.words.say(f"v2.comment.{kind}"))
            type_ = joined([kind, named, catalogue.v2.own_system])
        source = "L" if kind in (REMARK, "absent", "reason", "said") else "O"
        yield segment("NTE", {1: str(number), 2: source, 3: words, 4: type_})
