"""From FHIR resources back to the Exams they hold: what is exported reads back to the same Exam.

It reads what :mod:`adapter.fhir.bundle` writes, and what a FHIR server gives back of it: references may be
``urn:uuid:`` full URLs, ``Type/id`` or logical ones. Everything rests on the project's own codings and
identifiers, so it works with SNOMED CT switched off. An Observation whose answers stand in components that
repeat its code (R4 obs-7, the standard's other form for several answers) is read as one finding an answer.

What is read goes through the same raw record and the same checks as any capture file; each of its fields knows the
entry and element that it came from.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from typing import Any, TypeVar

from pydantic import ValidationError

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.exam.persons import name_of_parts
from adapter.fhir.communication import TELLING
from adapter.fhir.facts import facts_of
from adapter.fhir.json import Json
from adapter.fhir.people import BIRTH_TIME, BIRTH_TOTAL
from adapter.problems import AdapterError, Problem
from adapter.read.bundle_findings import OURS, ObservationReader, Wrong, is_computed, known
from adapter.read.graph import BundleEntry, Graph, Origin, entries_of, objects
from adapter.read.places import Place
from adapter.read.raw import TOLD
from adapter.read.reading import Reading
from adapter.read.record import RawRecord, read_record

T = TypeVar("T")


class NotReadable(AdapterError, ValueError):
    """An exam of ours that cannot be read back; ``problems`` name the entry and the element."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("; ".join(str(problem) for problem in problems), problems)


def from_bundle(bundle: Json, catalogue: Catalogue) -> list[Exam]:
    """Every exam in the bundle, in the order of its DiagnosticReports.

    Raises :class:`NotReadable` where a reference leads nowhere, a code is not of this catalogue, or what is there
    makes no exam; what the checks would say of an exam is for :func:`adapter.read.read`.
    """
    exams: list[Exam] = []
    problems: list[Problem] = []
    for reader in readers_of(entries_of(bundle, Origin()), catalogue):
        raw = reader.raw("")
        exam = None if raw.problems else _plain(raw.data)
        if exam is None:
            problems += read_record(raw, catalogue).errors
        else:
            exams.append(exam)
    if problems:
        raise NotReadable(problems)
    return exams


def _plain(data: Json) -> Exam | None:
    try:
        return Exam.model_validate(data)
    except ValidationError:
        return None


def read_entries(entries: list[BundleEntry], catalogue: Catalogue, source: str) -> Iterator[Reading]:
    """A reading for each exam of ours among the resources, in the order of the DiagnosticReports."""
    for reader in readers_of(entries, catalogue):
        yield read_record(reader.raw(source), catalogue)


def readers_of(entries: list[BundleEntry], catalogue: Catalogue) -> list[_Reader]:
    """One for each exam of ours."""
    graph = Graph(entries, catalogue)
    return [
        _Reader(graph, catalogue, entry)
        for entry in graph.entries
        if entry.type == "DiagnosticReport" and graph.own_id(entry.resource, "exam")
    ]


_VALUES = ("valueQuantity", "valueCodeableConcept", "valueDateTime", "valueString", "valueInteger", "component")
_ELEMENTS = {
    "item": ".code",
    "side": ".component",
    "method": ".method",
    "site": ".bodySite",
    "state": ".component",
    "observed_at": ".effectiveDateTime",
    "not_examined": ".dataAbsentReason",
    "note": ".note",
    "text": ".valueString",
}
"""Where the fields of a finding stand in its Observation."""
_OF_EXAM = {
    "id": ".identifier",
    "kind": ".code",
    "started": ".effectivePeriod.start",
    "ended": ".effectivePeriod.end",
    "status": ".status",
    "amends": ".identifier",
    "encounter": ".encounter",
}
_OF_NEWBORN = {
    "identifiers": ".identifier",
    "name": ".name",
    "sex": ".gender",
    "birth_time": "._birthDate",
    "birth_order": ".multipleBirthInteger",
}


_OF_TELLING = {
    "line": ".extension",
    "at": ".sent",
    "to": ".recipient",
    "by": ".sender",
    "read_back": ".extension",
    "words": ".payload",
}


class _Reader(ObservationReader):
    """Reads one exam, from its DiagnosticReport on; what is wrong is kept, and the rest is read."""

    def __init__(self, graph: Graph, catalogue: Catalogue, report: BundleEntry) -> None:
        super().__init__(graph, catalogue)
        self._report = report
        self._problems: list[Problem] = []
        self._origins: list[BundleEntry] = []
        self._told: list[BundleEntry] = []
        self._patient: BundleEntry | None = None
        self._provenance: BundleEntry | None = None

    def raw(self, source: str) -> RawRecord:
        """The record of the exam, with the place of each of its fields."""
        record: Json = {"version": 1, "exam": self._tried(self._report, self._details) or TOLD}
        observations = self._tried(self._report, self._observations) or []
        record["newborn"] = self._tried(self._report, lambda: self._newborn(observations)) or TOLD
        bare = _plain(record)
        found: list[Json] = []
        for entry in observations:
            for finding in self._tried(entry, partial(self._findings, entry, bare)) or ():
                found.append(finding)
                self._origins.append(entry)
        record["findings"] = found
        if told := list(self._tellings()):
            record["told"] = told
        return RawRecord(record, self._place, source, tuple(self._problems), doubtful=False, written_before=True)

    def _tried(self, entry: BundleEntry, read: Callable[[], T]) -> T | None:
        """What is read of an entry, or None and the problem: it names keys and types, never content."""
        try:
            return read()
        except Wrong as wrong:
            self._problems += wrong.problems
        except (KeyError, TypeError, AttributeError, ValueError, IndexError) as error:
            lacking = f" ({error})" if isinstance(error, KeyError) else ""
            what = f"the {entry.type} lacks what an exam needs{lacking}"
            self._problems.append(entry.locate("").error("not-readable", what, OURS))
        return None

    def _place(self, at: str) -> Place:
        """The entry and element that a field of the record came from."""
        _, part, *steps = at.split("/") if at else ("", "")
        field = steps[0] if steps else ""
        if part == "findings" and field.isdigit() and int(field) < len(self._origins):
            return self._place_of_finding(self._origins[int(field)], steps[1:])
        if part == "told" and field.isdigit() and int(field) < len(self._told):
            return self._told[int(field)].locate(_OF_TELLING.get(steps[1] if steps[1:] else "", ""))
        if part == "newborn" and self._patient is not None:
            return self._patient.locate(_OF_NEWBORN.get(field, ""))
        if (
            part == "exam"
            and field in ("examiners", "reason", "place", "recorded", "first", "reassigned_from")
            and self._provenance is not None
        ):
            return self._provenance.locate("")
        element = _OF_EXAM.get(field, "")
        if field == "started" and "effectivePeriod" not in self._report.resource:
            element = ".effectiveDateTime"
        return self._report.locate(element if part == "exam" else "")

    def _place_of_finding(self, entry: BundleEntry, steps: list[str]) -> Place:
        if not steps:
            return entry.locate("")
        if steps[0] != "value":
            return entry.locate(_ELEMENTS.get(steps[0], ""))
        value = next((name for name in _VALUES if name in entry.resource), "")
        inner = f".{steps[1]}" if value == "valueQuantity" and steps[1:] in (["value"], ["unit"]) else ""
        return entry.locate(f".{value}{inner}" if value else "")

    def _observations(self) -> list[BundleEntry]:
        """The report's findings in the order of the bundle; panels and computed ones are made anew, not read."""
        wanted = []
        for number, result in enumerate(self._report.resource.get("result", [])):
            found = self._follow(result, self._report, f".result[{number}]")
            if self._own_code(found, ".code", found.resource["code"], "region", required=False):
                members = enumerate(found.resource.get("hasMember", []))
                wanted += [self._follow(m, found, f".hasMember[{n}]") for n, m in members]
            else:
                wanted.append(found)  # a site without panels
        places = {id(entry.resource): place for place, entry in enumerate(self._graph.entries)}
        return sorted(wanted, key=lambda entry: places[id(entry.resource)])

    def _details(self) -> Json:
        report, graph = self._report.resource, self._graph
        root = graph.own_id(report, "exam")
        version = graph.own_id(report, "exam-version") or root
        provenance = self._history(version)
        period = report.get("effectivePeriod", {})
        details: Json = {
            "id": version,
            "kind": self._own_code(self._report, ".code", report["code"], "kind"),
            "started": period.get("start", report.get("effectiveDateTime")),
            "ended": period.get("end"),
            "status": report["status"],
            "place": provenance.get("location", {}).get("display"),
            "recorded": provenance.get("recorded"),
            "reassigned_from": self._entity(provenance, "derivation"),
            "reason": next((reason.get("text") for reason in provenance.get("reason", [])), None),
            "encounter": self._encounter(),
            "examiners": [
                self._person(agent["who"], agent["role"][0], self._provenance or self._report, examined=True)
                for agent in provenance["agent"]
                if "role" in agent
            ],
        }
        if report["status"] != "final":
            before = self._entity(provenance, "revision")
            details |= {"amends": before or root, "first": root if before else None}
        return known(details)

    def _entity(self, provenance: Json, role: str) -> str | None:
        """The other exam that a Provenance names: the later version that this one corrects (``revision``), or the
        one on the wrong newborn that is this one (``derivation``); None where there is none."""
        system = self._catalogue.identifier_system("capture-record")
        for entity in objects(provenance.get("entity")):
            known = entity.get("what", {}).get("identifier", {})
            if entity.get("role") == role and known.get("system") == system:
                return str(known["value"])
        return None

    def _history(self, version: str | None) -> Json:
        """The Provenance of this version of the exam; an amended exam has one for each."""
        source = {"system": self._catalogue.identifier_system("capture-record"), "value": version}
        contained = objects(self._report.resource.get("contained"))
        candidates: list[tuple[Json, BundleEntry | None]] = [(r, None) for r in contained]
        candidates += [(e.resource, e) for e in self._graph.pointing("Provenance", "target", self._report)]
        for provenance, entry in candidates:
            named = (entity.get("what") for entity in objects(provenance.get("entity")))
            is_one = provenance.get("resourceType") == "Provenance"
            if is_one and any(isinstance(what, dict) and what.get("identifier") == source for what in named):
                self._provenance = entry
                return provenance
        raise self._wrong(self._report, "", f"exam {version}: no Provenance says who examined")

    def _encounter(self) -> Json | None:
        reference: Json = self._report.resource.get("encounter", {})
        found = self._graph.find(reference)
        if found is None and "identifier" in reference:
            return _identifier(reference["identifier"])  # the ward's own, which is not made
        if found is None or self._graph.own_id(found.resource, "encounter"):
            return None
        return _identifier(found.resource["identifier"][0])

    def _person(self, who: Json, role: Json, holder: BundleEntry, *, examined: bool = False) -> Json:
        """An examiner, or who told or was told: a reference and a role. Facts stand with whoever ``examined``."""
        found = self._graph.find(who)
        named = who.get("identifier") or (found.resource["identifier"][0] if found else None)
        return known(
            {
                **_known_as(found.resource if found else {}, who.get("display")),
                "identifier": _identifier(named) if named else None,
                "facts": facts_of(found.resource, "examiner", self._catalogue) if found and examined else None,
                "role": self._own_code(holder, "", role, "role"),
            }
        )

    def _tellings(self) -> Iterator[Json]:
        """Who was told; what an amendment no longer says is entered in error on a server, and is not of it."""
        error, url = "entered-in-error", f"{self._catalogue.settings.canonical}/{TELLING}"
        for entry in self._graph.pointing("Communication", "about", self._report):
            resource = entry.resource
            parts = _extension_parts(resource, url)
            withdrawn = resource.get("status") == error and self._report.resource.get("status") != error
            if parts and not withdrawn:
                telling = self._tried(entry, partial(self._telling, entry, parts))
                if telling is not None:
                    self._told.append(entry)
                    yield telling

    def _telling(self, entry: BundleEntry, parts: Json) -> Json:
        resource = entry.resource
        sender = resource.get("sender")
        return known(
            {
                "line": parts["line"]["valueString"],
                "at": resource["sent"],
                "to": self._person(resource["recipient"][0], parts["recipient-role"]["valueCodeableConcept"], entry),
                "by": self._person(sender, parts["sender-role"]["valueCodeableConcept"], entry) if sender else None,
                "read_back": parts.get("read-back", {}).get("valueBoolean"),
                "words": next((one.get("contentString") for one in resource.get("payload", [])), None),
            }
        )

    def _newborn(self, observations: list[BundleEntry]) -> Json:
        subject = self._report.resource["subject"]
        if self._graph.find(subject) is None and ("identifier" in subject or "?" in subject.get("reference", "")):
            what = "the newborn is only referred to, so that name, sex and birth are not here"
            raise self._wrong(self._report, ".subject", what, "the capture file, or a collection of this exam")
        self._patient = entry = self._follow(subject, self._report, ".subject")
        patient = entry.resource
        newborn: Json = {
            "identifiers": [_identifier(i) for i in patient["identifier"]],
            **_name(patient),
            "facts": facts_of(patient, "newborn", self._catalogue),
            "sex": patient.get("gender", "unknown"),
            "birth_time": _extension(patient.get("_birthDate"), BIRTH_TIME, "valueDateTime"),
            "gestation": self._gestation(observations),
            "mother": self._mother(entry),
        }
        if "multipleBirthInteger" in patient:
            total = _extension(patient.get("_multipleBirthInteger"), BIRTH_TOTAL, "valuePositiveInt")
            newborn["birth_order"] = known({"order": patient["multipleBirthInteger"], "of": total})
        return known(newborn)

    def _mother(self, patient: BundleEntry) -> Json | None:
        related = next(self._graph.pointing("RelatedPerson", "patient", patient), None)
        if related is None:
            return None
        own = self._catalogue.identifier_system("related-person")
        identifiers = [_identifier(i) for i in related.resource["identifier"] if i.get("system") != own]
        facts = facts_of(related.resource, "mother", self._catalogue)
        return known({"identifiers": identifiers, **_name(related.resource), "facts": facts})

    def _gestation(self, observations: list[BundleEntry]) -> Json | None:
        for entry in observations:
            resource = entry.resource
            item = self._own_code(entry, ".code", resource["code"], "item", required=False)
            if item == "gestational_age_at_birth" and is_computed(resource, self._catalogue.words):
                quantity = resource["valueQuantity"]
                whole = int(quantity["value"])
                weeks, days = divmod(whole, 7) if quantity["code"] == "d" else (whole, None)
                method, _ = self._chosen(resource.get("method"), "method")
                return known({"weeks": weeks, "days": days, "method": method})
        return None


def _name(person: Json) -> Json:
    """The first name of a person, its line and its parts."""
    found: Json = next(iter(person.get("name", [])), {})
    parts: Json = {part: " ".join(found[part]) for part in ("given", "prefix") if part in found}
    return {"name": found.get("text"), "family": found.get("family"), **parts}


def _known_as(practitioner: Json, display: Any) -> Json:
    """The name of an examiner: the parts are those of the Practitioner where it is she who is shown."""
    found = _name(practitioner)
    apart = name_of_parts(found.get("prefix"), found.get("given"), found["family"])
    return found if (found["name"] or apart or None) == display else {"name": display}


def _identifier(identifier: Json) -> Json:
    return {"system": identifier["system"], "value": identifier["value"]}


def _extension_parts(resource: Json, url: str) -> Json:
    """The parts of a complex extension by their names; none where the resource has it not."""
    found: Json = next((one for one in resource.get("extension", []) if one.get("url") == url), {})
    return {part["url"]: part for part in found.get("extension", [])}


def _extension(element: Json | None, url: str, value: str) -> Any:
    return next((e.get(value) for e in (element or {}).get("extension", []) if e.get("url") == url), None)
