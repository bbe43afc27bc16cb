"""From a Bundle back to the Exams it holds: what is exported reads back to the same Exam.

It reads what :mod:`adapter.fhir.bundle` writes, and what a FHIR server gives back of it: references may be
``urn:uuid:`` full URLs, ``Type/id`` or logical ones. Everything rests on the project's own codings and
identifiers, so it works with SNOMED CT switched off. An Observation whose answers stand in components that
repeat its code (R4 obs-7, the standard's other form for several answers) is read as one finding an answer.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import Any

from pydantic import ValidationError

from adapter.catalogue import Catalogue, Item, ItemType
from adapter.derive import made_at
from adapter.exam import Exam, Finding, Side
from adapter.fhir.identity import SOFTWARE
from adapter.fhir.json import Json
from adapter.fhir.observation import CAPTURED, ON_RECORD, SUMMED, instant
from adapter.fhir.parts import DETAIL
from adapter.fhir.people import BIRTH_TIME, BIRTH_TOTAL
from adapter.problems import AdapterError


class NotReadable(AdapterError, ValueError):
    """The bundle holds an exam of ours that cannot be read back; the message names the resource."""


def from_bundle(bundle: Json, catalogue: Catalogue) -> list[Exam]:
    """Every exam in the bundle, in the order of its DiagnosticReports.

    Raises :class:`NotReadable` where a reference leads nowhere or a code is not of this catalogue.
    """
    graph = _Graph(bundle, catalogue)
    reports = [r for r in graph.resources if r["resourceType"] == "DiagnosticReport"]
    return [_read(_Reader(graph, catalogue, report)) for report in reports if graph.own_id(report, "exam")]


def _read(reader: _Reader) -> Exam:
    """The exam, or :class:`NotReadable` with the place and not the content of what does not fit."""
    try:
        return reader.exam()
    except ValidationError as error:
        places = sorted({".".join(map(str, e["loc"])) for e in error.errors(include_url=False, include_input=False)})
        raise NotReadable(f"what the bundle holds makes no exam: {', '.join(places)}") from None
    except (KeyError, TypeError, AttributeError) as error:
        raise NotReadable(f"a resource lacks what an exam needs ({type(error).__name__}: {error})") from None


class _Graph:
    """The bundle's resources and how they refer to each other."""

    def __init__(self, bundle: Json, catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self.resources: list[Json] = []
        self._by_reference: dict[str, Json] = {}
        self._by_identifier: dict[tuple[str, str], Json] = {}
        for entry in bundle.get("entry", []):
            resource = entry.get("resource")
            if resource is None:
                continue
            self.resources.append(resource)
            if "fullUrl" in entry:
                self._by_reference[entry["fullUrl"]] = resource
            if "id" in resource:
                self._by_reference[f"{resource['resourceType']}/{resource['id']}"] = resource
            for identifier in resource.get("identifier", []) if isinstance(resource.get("identifier"), list) else []:
                self._by_identifier[identifier.get("system", ""), identifier.get("value", "")] = resource

    def find(self, reference: Json) -> Json | None:
        """The resource a reference leads to, if it is here."""
        literal = str(reference.get("reference", ""))
        found = self._by_reference.get(literal)
        if found is None and literal.startswith("http"):
            found = self._by_reference.get("/".join(literal.split("/")[-2:]))
        if found is None and "identifier" in reference:
            logical = reference["identifier"]
            found = self._by_identifier.get((logical.get("system", ""), logical.get("value", "")))
        return found

    def follow(self, reference: Json, why: str) -> Json:
        """As :meth:`find`, but it must be here."""
        found = self.find(reference)
        if found is None:
            raise NotReadable(f"{why}: the reference {reference.get('reference') or 'by identifier'} leads nowhere")
        return found

    def own_id(self, resource: Json, kind: str) -> str | None:
        """The value of the resource's identifier in one of our own systems."""
        system = self._catalogue.identifier_system(kind)
        return next((i["value"] for i in resource.get("identifier", []) if i.get("system") == system), None)

    def pointing(self, resource_type: str, field: str, target: Json) -> Iterator[Json]:
        """Resources of a type whose field refers to the target."""
        for resource in self.resources:
            if resource["resourceType"] == resource_type:
                references = resource.get(field, [])
                for reference in references if isinstance(references, list) else [references]:
                    if self.find(reference) is target:
                        yield resource
                        break


_PLAIN = Finding(item="any", not_examined="any")  # made when the item's findings usually are


class _Reader:
    """Reads one exam, from its DiagnosticReport on."""

    def __init__(self, graph: _Graph, catalogue: Catalogue, report: Json) -> None:
        self._graph, self._catalogue, self._report = graph, catalogue, report
        self._uri = cache(catalogue.uri)

    def exam(self) -> Exam:
        record = {"exam": self._details(), "newborn": self._newborn()}
        bare = Exam.model_validate(record)
        findings = [finding for resource in self._observations() for finding in self._findings(resource, bare)]
        return Exam.model_validate({**record, "findings": findings})

    def _observations(self) -> list[Json]:
        """The report's findings in the order of the bundle; panels and computed ones are made anew, not read."""
        wanted = []
        for result in self._report.get("result", []):
            found = self._graph.follow(result, "DiagnosticReport.result")
            if self._own_code(found["code"], "region", required=False):
                wanted += [self._graph.follow(m, "Observation.hasMember") for m in found.get("hasMember", [])]
            else:
                wanted.append(found)  # a site without panels
        places = {id(resource): place for place, resource in enumerate(self._graph.resources)}
        return sorted(wanted, key=lambda resource: places[id(resource)])

    def _details(self) -> Json:
        report, graph = self._report, self._graph
        root = graph.own_id(report, "exam")
        version = graph.own_id(report, "exam-version") or root
        provenance = self._provenance(version)
        period = report.get("effectivePeriod", {})
        details: Json = {
            "id": version,
            "kind": self._own_code(report["code"], "kind"),
            "started": period.get("start", report.get("effectiveDateTime")),
            "ended": period.get("end"),
            "status": report["status"],
            "place": provenance.get("location", {}).get("display"),
            "reason": next((reason.get("text") for reason in provenance.get("reason", [])), None),
            "encounter": self._encounter(),
            "examiners": [self._examiner(a) for a in provenance["agent"] if "role" in a],
        }
        if report["status"] != "final":
            details["amends"] = root
        return details

    def _provenance(self, version: str | None) -> Json:
        """The Provenance of this version of the exam; an amended exam has one for each."""
        system = self._catalogue.identifier_system("capture-record")
        source = {"system": system, "value": version}
        contained: Iterator[Json] = (
            r for r in self._report.get("contained", []) if r["resourceType"] == "Provenance"
        )
        for provenance in (*contained, *self._graph.pointing("Provenance", "target", self._report)):
            if any(entity["what"].get("identifier") == source for entity in provenance.get("entity", [])):
                return provenance
        raise NotReadable(f"exam {version}: no Provenance says who examined")

    def _encounter(self) -> Json | None:
        reference: Json = self._report.get("encounter", {})
        encounter = self._graph.find(reference)
        if encounter is None and "identifier" in reference:
            return _identifier(reference["identifier"])  # the ward's own, which the site does not send
        if encounter is None or self._graph.own_id(encounter, "encounter"):
            return None
        return _identifier(encounter["identifier"][0])

    def _examiner(self, agent: Json) -> Json:
        who = agent["who"]
        practitioner = self._graph.find(who)
        identifier = _identifier(practitioner["identifier"][0]) if practitioner else None
        return {
            "name": who.get("display"),
            "identifier": identifier,
            "role": self._own_code(agent["role"][0], "role"),
        }

    def _newborn(self) -> Json:
        patient = self._graph.follow(self._report["subject"], "DiagnosticReport.subject")
        newborn: Json = {
            "identifiers": [_identifier(i) for i in patient["identifier"]],
            "name": next((name.get("text") for name in patient.get("name", [])), None),
            "sex": patient.get("gender", "unknown"),
            "birth_time": _extension(patient.get("_birthDate"), BIRTH_TIME, "valueDateTime"),
            "gestation": self._gestation(),
            "mother": self._mother(patient),
        }
        if "multipleBirthInteger" in patient:
            total = _extension(patient.get("_multipleBirthInteger"), BIRTH_TOTAL, "valuePositiveInt")
            newborn["birth_order"] = {"order": patient["multipleBirthInteger"], "of": total}
        return newborn

    def _mother(self, patient: Json) -> Json | None:
        related = next(self._graph.pointing("RelatedPerson", "patient", patient), None)
        if related is None:
            return None
        own = self._catalogue.identifier_system("related-person")
        return {
            "identifiers": [_identifier(i) for i in related["identifier"] if i.get("system") != own],
            "name": next((name.get("text") for name in related.get("name", [])), None),
        }

    def _gestation(self) -> Json | None:
        for resource in self._observations():
            if self._own_code(resource["code"], "item") == "gestational_age_at_birth" and _is_made(resource):
                quantity = resource["valueQuantity"]
                whole = int(quantity["value"])
                weeks, days = divmod(whole, 7) if quantity["code"] == "d" else (whole, None)
                method, _ = self._chosen(resource.get("method"), "method")
                return {"weeks": weeks, "days": days, "method": method}
        return None

    def _findings(self, resource: Json, exam: Exam) -> Iterator[Finding]:
        item = self._item(resource)
        if _is_made(resource):
            return
        found: Json = {"item": item.id, **self._value(resource, item), **self._circumstances(resource, item)}
        effective = resource.get("effectiveDateTime")
        if effective != instant(made_at(_PLAIN, item, exam)):
            found["observed_at"] = effective
        answers = [found.pop("value")] if "answers" not in found else found.pop("answers")
        for answer in answers:
            yield Finding.model_validate({**found, "value": answer})

    def _item(self, resource: Json) -> Item:
        item_id = self._own_code(resource["code"], "item")
        if item_id not in self._catalogue.items:
            raise NotReadable(f"Observation {resource.get('id', '')}: '{item_id}' is no item of this catalogue")
        return self._catalogue.items[item_id]

    def _value(self, resource: Json, item: Item) -> Json:
        """``value`` (or ``answers``), ``text`` or ``not_examined``."""
        components = resource.get("component", [])
        if "dataAbsentReason" in resource:
            return {"value": None, "not_examined": self._own_code(resource["dataAbsentReason"], "reason")}
        if "valueQuantity" in resource:
            return {"value": self._quantity(resource["valueQuantity"])}
        if "valueDateTime" in resource:
            return {"value": {"time": resource["valueDateTime"]}}
        if "valueString" in resource:
            return {"value": None, "text": resource["valueString"]}
        if "valueCodeableConcept" in resource:
            concept = resource["valueCodeableConcept"]
            if "coding" not in concept:
                return {"value": None, "text": concept["text"]}
            return {"value": self._answer(concept, item.id)}
        if item.type is ItemType.QUANTITIES:
            return {"value": self._quantities(components, item)}
        if item.type is ItemType.SCORE:
            return {"value": self._score(resource, item)}
        repeated = [c for c in components if self._own_code(c["code"], "item", required=False) == item.id]
        return {"answers": [self._answer(c["valueCodeableConcept"], item.id) for c in repeated]}

    def _answer(self, concept: Json, prefix: str) -> str:
        return self._own_code(concept, "answer").removeprefix(f"{prefix}.")

    def _quantity(self, quantity: Json) -> Json:
        captured = self._captured(quantity)
        if not captured:
            captured = [quantity]
        value: Json = {"value": captured[0]["value"], "unit": captured[0]["unit"]}
        if len(captured) > 1:
            value["plus"] = {"value": captured[1]["value"], "unit": captured[1]["unit"]}
        if "comparator" in quantity:
            value["comparator"] = quantity["comparator"]
        return value

    def _captured(self, quantity: Json) -> list[Json]:
        url = f"{self._catalogue.settings.canonical}/{CAPTURED}"
        return [e["valueQuantity"] for e in quantity.get("extension", []) if e["url"] == url]

    def _quantities(self, components: list[Json], item: Item) -> Json:
        numbers, unit = {}, ""
        for component in components:
            name = self._own_code(component["code"], "component", required=False)
            if name and "valueQuantity" in component:
                quantity = (self._captured(component["valueQuantity"]) or [component["valueQuantity"]])[0]
                numbers[name.removeprefix(f"{item.id}.")] = quantity["value"]
                unit = quantity["unit"]
        return {"components": numbers, "unit": unit}

    def _score(self, resource: Json, item: Item) -> Json:
        signs = {}
        members = (self._graph.follow(m, "Observation.hasMember") for m in resource.get("hasMember", []))
        for component in (*resource.get("component", []), *members):
            name = self._own_code(component["code"], "component", required=False)
            if name:
                signs[name.removeprefix(f"{item.id}.")] = self._answer(component["valueCodeableConcept"], name)
        total = None if SUMMED in _our_notes(resource) else resource.get("valueInteger")
        return {"total": total, "signs": signs}

    def _circumstances(self, resource: Json, item: Item) -> Json:
        details = {}
        for component in [*resource.get("component", []), *self._details_of(resource)]:
            name = self._own_code(component["code"], "detail", required=False)
            if name:
                details[name] = component
        side, chosen = self._any_own(details.get("side", {}).get("valueCodeableConcept"), "side")
        found: Json = {
            "side": Side(side) if side and chosen else None,
            "site": self._chosen(resource.get("bodySite"), "site")[0],
            "method": self._chosen(resource.get("method"), "method")[0],
            "state": self._any_own(details.get("state", {}).get("valueCodeableConcept"), "state")[0],
            "urgency": self._any_own(details.get("urgency", {}).get("valueCodeableConcept"), "urgency")[0],
            "counted_seconds": details.get("counted-seconds", {}).get("valueQuantity", {}).get("value"),
        }
        notes = [note["text"] for note in resource.get("note", []) if note.get("authorString") != SOFTWARE]
        found["note"] = notes[0] if notes else None
        return found

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

    def _own_code(self, concept: Json, system: str, required: bool = True) -> str:
        code, _ = self._any_own(concept, system)
        if code is None and required:
            raise NotReadable(f"a concept has no code of {self._catalogue.uri(system)}")
        return code or ""


def _is_made(resource: Json) -> bool:
    """Whether the software made this Observation and nobody captured it."""
    return bool(resource.get("derivedFrom")) or ON_RECORD in _our_notes(resource)


def _our_notes(resource: Json) -> list[str]:
    """What the software noted on its own doing."""
    return [note["text"] for note in resource.get("note", []) if note.get("authorString") == SOFTWARE]


def _identifier(identifier: Json) -> Json:
    return {"system": identifier["system"], "value": identifier["value"]}


def _extension(element: Json | None, url: str, value: str) -> Any:
    return next((e[value] for e in (element or {}).get("extension", []) if e["url"] == url), None)
