"""One finding's Observation back to the raw findings that it was made of."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from adapter import SOFTWARE
from adapter.catalogue import Catalogue, Item, ItemType, Words
from adapter.catalogue.words import is_said
from adapter.derive import made_at
from adapter.exam import Exam, Finding
from adapter.fhir.json import Json
from adapter.fhir.observation import CAPTURED, ON_RECORD, SUMMED, instant
from adapter.fhir.parts import DETAIL, written_unit
from adapter.problems import AdapterError, Problem
from adapter.read.graph import BundleEntry, Graph

OURS = "a bundle that this adapter wrote, at this site"
_PLAIN = Finding(item="any", not_examined="any")  # made when the item's findings usually are


class Wrong(AdapterError):
    """What an entry lacks, as a problem."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problems=[problem])


class ObservationReader:
    """Reads Observations of ours by the codings that only this project has; raises :class:`Wrong`."""

    def __init__(self, graph: Graph, catalogue: Catalogue) -> None:
        self._graph, self._catalogue = graph, catalogue
        self._uri = cache(catalogue.uri)

    def _wrong(self, entry: BundleEntry, element: str, what: str, remedy: str = OURS) -> Wrong:
        return Wrong(entry.locate(element).error("not-readable", what, remedy))

    def _follow(self, reference: Any, holder: BundleEntry, element: str) -> BundleEntry:
        found = self._graph.find(reference)
        if found is None:
            literal = reference.get("reference") if isinstance(reference, dict) else None
            name = f"{holder.type}{element}"
            raise self._wrong(holder, element, f"{name}: the reference {literal or 'by identifier'} leads nowhere")
        return found

    def _findings(self, entry: BundleEntry, exam: Exam | None) -> list[Json]:
        resource = entry.resource
        item = self._item(entry)
        if is_computed(resource, self._catalogue.words):
            return []
        found: Json = {"item": item.id, **self._value(entry, item), **self._circumstances(resource, item)}
        effective = resource.get("effectiveDateTime")
        if exam is None or effective != instant(made_at(_PLAIN, item, exam)):
            found["observed_at"] = effective
        answers = [found.pop("value", None)] if "answers" not in found else found.pop("answers")
        return [known({**found, "value": answer}) for answer in answers]

    def _item(self, entry: BundleEntry) -> Item:
        item_id = self._own_code(entry, ".code", entry.resource["code"], "item")
        if item_id not in self._catalogue.items:
            what = f"'{item_id}' is no item of this catalogue"
            raise self._wrong(entry, ".code", what, "the catalogue that the bundle was written with")
        return self._catalogue.items[item_id]

    def _value(self, entry: BundleEntry, item: Item) -> Json:
        """``value`` (or ``answers``), ``text`` or ``not_examined``."""
        resource = entry.resource
        components = resource.get("component", [])
        if "dataAbsentReason" in resource:
            absent = self._own_code(entry, ".dataAbsentReason", resource["dataAbsentReason"], "reason")
            return {"not_examined": absent}
        if "valueQuantity" in resource:
            return {"value": self._quantity(resource["valueQuantity"])}
        if "valueDateTime" in resource:
            return {"value": {"time": resource["valueDateTime"]}}
        if "valueString" in resource:
            return {"text": resource["valueString"]}
        if "valueCodeableConcept" in resource:
            concept = resource["valueCodeableConcept"]
            if "coding" not in concept:
                return {"text": concept["text"]}
            return {"value": self._answer(entry, ".valueCodeableConcept", concept, item.id)}
        if item.type is ItemType.QUANTITIES:
            return {"value": self._quantities(entry, components, item)}
        if item.type is ItemType.SCORE:
            return {"value": self._score(entry, item)}
        repeated = [
            self._answer(entry, f".component[{n}].valueCodeableConcept", c["valueCodeableConcept"], item.id)
            for n, c in enumerate(components)
            if self._own_code(entry, f".component[{n}].code", c["code"], "item", required=False) == item.id
        ]
        if not repeated:
            raise self._wrong(entry, "", "neither a value nor a reason why there is none")
        return {"answers": repeated}

    def _answer(self, entry: BundleEntry, element: str, concept: Json, prefix: str) -> str:
        return self._own_code(entry, element, concept, "answer").removeprefix(f"{prefix}.")

    def _quantity(self, quantity: Json) -> Json:
        captured = self._captured(quantity)
        if not captured:
            captured = [quantity]
        value: Json = {"value": captured[0]["value"], "unit": written_unit(captured[0], self._catalogue)}
        if len(captured) > 1:
            value["plus"] = {"value": captured[1]["value"], "unit": captured[1]["unit"]}
        if "comparator" in quantity:
            value["comparator"] = quantity["comparator"]
        return value

    def _captured(self, quantity: Json) -> list[Json]:
        url = f"{self._catalogue.settings.canonical}/{CAPTURED}"
        return [e["valueQuantity"] for e in quantity.get("extension", []) if e["url"] == url]

    def _quantities(self, entry: BundleEntry, components: list[Json], item: Item) -> Json:
        numbers, unit = {}, ""
        for number, component in enumerate(components):
            element = f".component[{number}].code"
            name = self._own_code(entry, element, component["code"], "component", required=False)
            if name and "valueQuantity" in component:
                quantity = (self._captured(component["valueQuantity"]) or [component["valueQuantity"]])[0]
                numbers[name.removeprefix(f"{item.id}.")] = quantity["value"]
                unit = written_unit(quantity, self._catalogue)
        return {"components": numbers, "unit": unit}

    def _score(self, entry: BundleEntry, item: Item) -> Json:
        resource = entry.resource
        parts = [(entry, f".component[{n}]", c) for n, c in enumerate(resource.get("component", []))]
        for n, member in enumerate(resource.get("hasMember", [])):
            found = self._follow(member, entry, f".hasMember[{n}]")
            parts.append((found, "", found.resource))
        signs = {}
        for holder, at, part in parts:
            name = self._own_code(holder, f"{at}.code", part["code"], "component", required=False)
            if name:
                concept = part["valueCodeableConcept"]
                answer = self._answer(holder, f"{at}.valueCodeableConcept", concept, name)
                signs[name.removeprefix(f"{item.id}.")] = answer
        total = None if _is_noted(resource, SUMMED, self._catalogue.words) else resource.get("valueInteger")
        return known({"total": total, "signs": signs or None})

    def _circumstances(self, resource: Json, item: Item) -> Json:
        details = {}
        for component in [*resource.get("component", []), *self._details_of(resource)]:
            name, _ = self._any_own(component["code"], "detail")
            if name:
                details[name] = component
        side, chosen = self._any_own(details.get("side", {}).get("valueCodeableConcept"), "side")
        notes = [note["text"] for note in resource.get("note", []) if note.get("authorString") != SOFTWARE]
        return {
            "side": side if chosen else None,
            "site": self._chosen(resource.get("bodySite"), "site")[0],
            "method": self._chosen(resource.get("method"), "method")[0],
            "state": self._any_own(details.get("state", {}).get("valueCodeableConcept"), "state")[0],
            "urgency": self._any_own(details.get("urgency", {}).get("valueCodeableConcept"), "urgency")[0],
            "counted_seconds": details.get("counted-seconds", {}).get("valueQuantity", {}).get("value"),
            "note": notes[0] if notes else None,
        }

    def _details_of(self, resource: Json) -> Iterator[Json]:
        """The details of a vital sign, which stand in extensions, in the form of components."""
        url = f"{self._catalogue.settings.canonical}/{DETAIL}"
        for extension in resource.get("extension", []):
            if extension["url"] == url:
                parts = {part["url"]: part for part in extension["extension"]}
                yield {**parts["value"], "code": parts["code"]["valueCodeableConcept"]}

    def _any_own(self, concept: Json | None, system: str) -> tuple[str | None, bool]:
        """The code of one of our own systems in a concept, and whether the user chose it."""
        if not concept:
            return None, False
        uri = self._uri(system)
        for coding in concept.get("coding", []):
            if coding.get("system") == uri:
                return coding["code"], coding.get("userSelected", False)
        return None, False

    def _chosen(self, concept: Json | None, system: str) -> tuple[str | None, bool]:
        code, chosen = self._any_own(concept, system)
        return (code, True) if chosen else (None, False)

    def _own_code(self, entry: BundleEntry, element: str, concept: Json, system: str, required: bool = True) -> str:
        code, _ = self._any_own(concept, system)
        if code is None and required:
            raise self._wrong(entry, element, f"a concept has no code of {self._catalogue.uri(system)}")
        return code or ""


def known(fields: Json) -> Json:
    return {name: value for name, value in fields.items() if value is not None}


def is_computed(resource: Json, words: Words | None = None) -> bool:
    """Whether the software made this Observation and nobody captured it; without ``words`` by what the shipped lists
    say alone."""
    return bool(resource.get("derivedFrom")) or _is_noted(resource, ON_RECORD, words)


def _is_noted(resource: Json, key: str, words: Words | None) -> bool:
    """Whether the software noted this of its own doing, in whatever language."""
    ours = (note["text"] for note in resource.get("note", []) if note.get("authorString") == SOFTWARE)
    return any(is_said(text, key, words) for text in ours)
