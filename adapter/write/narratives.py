"""A narrative for each resource of a document, so that none is without text for a person (dom-6)."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from adapter.derive import FindingView, told_in_words
from adapter.derive.view import ExamView
from adapter.document import Block, Bullets, Paragraph, narrative, say
from adapter.exam.persons import name_of_parts
from adapter.fhir import Resource
from adapter.fhir.json import Json
from adapter.write import account as tell


class Narratives:
    """The narratives of one exam's resources."""

    def __init__(self, view: ExamView, resources: Sequence[Resource]) -> None:
        self._view = view
        system = view.catalogue.uri("item")
        findings = [
            one.name.uuid
            for one in resources
            if one.name.resource_type == "Observation"
            and any(coding.get("system") == system for coding in one.content["code"]["coding"])
        ]
        # The Observations of findings stand in the order of the pool.
        self._evidence = dict(zip(findings, view.findings, strict=True))
        # So do the Communications, in that of the tellings.
        told = (one.name.uuid for one in resources if one.name.resource_type == "Communication")
        self._tellings = dict(zip(told, view.exam.told, strict=True))
        self._told: dict[str, Callable[[Json], list[Block]]] = {
            "Patient": lambda _: [tell.about_newborn(view)],
            "RelatedPerson": lambda _: tell.about_mother(view),
            "Encounter": lambda _: [tell.about_exam(view)],
            "Observation": self._observation,
            "DiagnosticReport": lambda report: _lines(report["conclusion"].split("\n")),
            "Communication": self._communication,
            "CommunicationRequest": self._request,
            "Practitioner": lambda who: _lines([*_names(who), *_identifiers(who)]),
            "Organization": lambda who: _lines([who["name"], *_identifiers(who)]),
            "Device": lambda device: _lines(
                [f"{device['deviceName'][0]['name']}: {v['type']['text']} {v['value']}" for v in device["version"]]
            ),
            "Provenance": lambda _: [tell.about_exam(view)],
        }

    def told(self, resource: Json) -> Json:
        """The resource with its narrative, which stands behind id, meta and language."""
        blocks = self._told[resource["resourceType"]](resource)
        text = {"status": "generated", "div": narrative(blocks, self._view.catalogue.language)}
        head: Json = {key: resource[key] for key in ("resourceType", "id", "meta", "language") if key in resource}
        return {**head, "text": text, **{key: value for key, value in resource.items() if key not in head}}

    def _observation(self, resource: Json) -> list[Block]:
        one = self._evidence.get(resource["id"])
        if one is not None:
            return _lines(self._finding(one))
        members = len(resource.get("hasMember", []))
        value = resource.get("valueCodeableConcept", {}).get("text")
        label = resource["code"]["text"]
        words = self._view.catalogue.words
        if value:
            return _lines([words.say("is", what=label, value=value)])
        return _lines([words.say("report.members", what=label, number=members)])

    def _finding(self, one: FindingView) -> list[str]:
        catalogue, found = self._view.catalogue, one.words
        if one.judged is not None:
            found = catalogue.words.say("beside", words=found, of=catalogue.meanings[one.judged.meaning].inline)
        elif (reason := one.not_judged) is not None:
            reason = catalogue.words.say("report.not_judged_because", reason=reason)
            found = catalogue.words.say("beside", words=found, of=reason)
        return [found, *([one.finding.note] if one.finding.note else [])]

    def _request(self, request: Json) -> list[Block]:
        said = [payload["contentString"] for payload in request.get("payload", [])]
        words = self._view.catalogue.words
        lines = said or [words.say("tell.nothing_more")]
        priority = words.say(f"tell.priority.{request['priority']}")
        return [Paragraph(say(priority)), Bullets(tuple(say(line) for line in lines))]

    def _communication(self, resource: Json) -> list[Block]:
        view, telling = self._view, self._tellings[resource["id"]]
        lines = zip(view.notifications, view.told.lines, strict=True)
        tell = next((one for one, tellings in lines if telling in tellings), None)
        words = told_in_words(telling, tell, view.exam, view.catalogue, sentence=True)
        return _lines([tell.words if tell else telling.line, words])


def _lines(lines: Sequence[str]) -> list[Block]:
    return [Paragraph(say(line)) for line in lines]


def _names(who: Json) -> list[str]:
    """The line and, where they are known apart, the parts."""
    found: list[str] = []
    for name in who.get("name", []):
        prefix, given = (" ".join(name.get(part, [])) for part in ("prefix", "given"))
        parts = name_of_parts(prefix, given, name.get("family"))
        found += dict.fromkeys(filter(None, (name.get("text"), parts)))
    return found


def _identifiers(who: Json) -> list[str]:
    return [f"{one['value']} ({one['system']})" for one in who.get("identifier", [])]
