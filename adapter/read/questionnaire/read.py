"""A QuestionnaireResponse to one of our forms becomes the capture record, and so the Exam, with all its problems.

FHIR R4 QuestionnaireResponse (section 2.43) and HL7 SDC 4.0.0, *Form Data Extraction*: only a completed response is
read, and by the url and version of the Questionnaire that it names. Places are paths of linkIds.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Identifier
from adapter.fhir.json import Json
from adapter.problems import Problem, Severity
from adapter.read.places import Place, PlaceOf, pointer
from adapter.read.questionnaire.answers import read
from adapter.read.questionnaire.form import (
    ORDER,
    RESPONSE_STATUS,
    QuestionnaireForm,
    form_of,
    form_url,
    with_templates,
)
from adapter.read.questionnaire.local_time import LocalTimes
from adapter.read.questionnaire.node import FormNode, QuestionType
from adapter.read.questionnaire.sheet import from_sheet
from adapter.read.raw import Unreadable, faults
from adapter.read.reading import Reading
from adapter.read.record import RawRecord, read_record
from adapter.read.wording import listed, near, shown

# Answered only to be asked further; the record does not hold them.
_ASIDE = ("more", "further")
_FINDING = re.compile(r"/findings/(\d+)(.*)")


def is_response(data: Any) -> bool:
    """Whether a JSON document says that it is a QuestionnaireResponse."""
    return isinstance(data, dict) and data.get("resourceType") == "QuestionnaireResponse"


def read_response(data: Json, place: PlaceOf, source: str, catalogue: Catalogue, within: str = "") -> Reading:
    """The exam of a response, or all that is wrong with it; ``place`` takes JSON pointers into ``data``.

    ``within`` is the place of a response that stands among others, and comes before the path of linkIds.
    """
    reading = _read(data, place, source, catalogue)
    if not within:
        return reading
    moved = (replace(p, where=f"{within}, {p.where}" if p.where else within) for p in reading.problems)
    return replace(reading, problems=tuple(moved))


def _read(data: Json, place: PlaceOf, source: str, catalogue: Catalogue) -> Reading:
    problems = [p for p in faults(data, place) if p.rule == "key-twice"]
    form, found = _form(data, place, catalogue)
    problems += found
    if form is None:
        return Reading(None, tuple(problems), source)
    times = LocalTimes(catalogue.settings.time_zone)
    reader = _Reader(form, place, problems, times)
    record = reader.record(data)
    times.beside(data.get("authored"))
    problems += times.problems()
    problems += _heads(data, record, place, catalogue)
    doubts = tuple(p for p in problems if p.severity is Severity.WARNING)
    faulty = tuple(p for p in problems if p.severity is not Severity.WARNING)
    reading = read_record(RawRecord(record, reader.place_of, source, faulty), catalogue)
    return replace(reading, problems=doubts + reading.problems)


def _form(data: Json, place: PlaceOf, catalogue: Catalogue) -> tuple[QuestionnaireForm | None, list[Problem]]:
    """The form that was answered; its version must be the catalogue's."""
    named = data.get("questionnaire")
    at = _at(place, "questionnaire")
    urls = {form_url(catalogue, kind): kind for kind in catalogue.kinds}
    urls |= {with_templates(url): kind for url, kind in urls.items()}
    if not isinstance(named, str):
        what = "the response does not say which questionnaire it answers"
        right = f"questionnaire: one of {listed(urls)}, with |{catalogue.settings.version}"
        return None, [at.error("no-questionnaire", what, right)]
    url, _, version = named.partition("|")
    if url not in urls:
        what = f"it answers the questionnaire {shown(url)}, which is none of this catalogue's"
        return None, [at.error("unknown-questionnaire", what, f"one of {listed(urls)}; or the site's folder, --site")]
    form = form_of(catalogue, urls[url])
    if not version:
        what = "the response does not say which version of the questionnaire it answers"
        return form, [at.warning("version-unsaid", what, form.canonical)]
    if version != form.version:
        what = f"it answers version {shown(version)}, the catalogue is version {shown(form.version)}"
        right = f"the answers on the form of now, {form.canonical}; or the catalogue of that version, --site"
        return form, [at.error("other-version", what, right)]
    return form, []


def _heads(data: Json, record: Json, place: PlaceOf, catalogue: Catalogue) -> Iterator[Problem]:
    """Status and subject of the response must agree with what was answered."""
    status = data.get("status")
    wanted = {state.value: RESPONSE_STATUS[state] for state in RESPONSE_STATUS}
    said = record["exam"].get("status", "final")
    if status not in ("completed", wanted.get(said)):
        what = f"a response of status {shown(status)}" if isinstance(status, str) else "a response without a status"
        right = "completed: only a form that was filled in to its end is read"
        if status in ("amended", "entered-in-error"):
            right = f"exam.status {status} as well, with exam.amends and exam.reason; or status completed"
        yield _at(place, "status").error("not-completed", what, right)
    subject = data.get("subject")
    identifier = subject.get("identifier") if isinstance(subject, dict) else None
    if isinstance(identifier, dict) and not _same_newborn(identifier, record, catalogue):
        what = "the subject of the response is not the newborn whose identifiers were answered"
        right = "the same newborn in both; check that this is the right infant"
        yield _at(place, "subject").error("other-newborn", what, right)


def _same_newborn(identifier: Json, record: Json, catalogue: Catalogue) -> bool:
    known = record["newborn"].get("identifiers", [])
    wanted = (identifier.get("system"), identifier.get("value"))
    for one in known:
        try:
            resolved = catalogue.resolve(Identifier.model_validate(one))
        except ValueError:
            return True  # it is told already
        if (resolved.system, resolved.value) == wanted:
            return True
    return not known


def _at(place: PlaceOf, name: str) -> Place:
    return replace(place(pointer(name)), where=name)


@dataclass(slots=True)
class _Reader:
    """Reads the answers by the form.

    ``marks``: for a pointer into the answers as they are gathered (``/findings/ITEM/0/value/1``) the path of linkIds
    and the pointer into the response. ``origins``: for each finding of the record the pointers of its group and of
    its value.
    """

    form: QuestionnaireForm
    place: PlaceOf
    problems: list[Problem]
    times: LocalTimes
    marks: dict[str, tuple[str, str]] = field(default_factory=dict)
    origins: list[tuple[str, str]] = field(default_factory=list)

    def record(self, data: Json) -> Json:
        """The capture record as plain data, what could not be read in its place."""
        sheet: Json = {}
        self._items(data.get("item", []), self.form.nodes, sheet, "", "", "/item")
        findings = sheet.get("findings", {})
        groups = [(link, n) for link in self.form.by_link if link in findings for n in range(len(findings[link]))]
        groups.sort(key=lambda group: findings[group[0]][group[1]].get("order", 10**9))
        record: Json = {"exam": {**sheet.get("exam", {}), "kind": self.form.kind.id}}
        record |= {"newborn": sheet.get("newborn", {}), "findings": []}
        for link, n in groups:
            at = f"/findings/{link}/{n}"
            for finding, value_at in from_sheet(findings[link][n], link, self.form):
                record["findings"].append(finding)
                self.origins.append((at, at + value_at))
        return record

    def place_of(self, at: str) -> Place:
        """From a pointer into the record to the linkIds, and the line, where that was answered or is missing."""
        found = _FINDING.fullmatch(at)
        if found and int(found[1]) < len(self.origins):
            group, value = self.origins[int(found[1])]
            rest = found[2]
            for name in ("/value", "/text"):
                if rest == name or rest.startswith(f"{name}/"):
                    tail = rest.removeprefix(name)
                    rest, group = tail, group if tail.startswith("/plus") else value
            at = group + rest
        missing = self.form.by_key.get(tuple(s for s in at.split("/")[1:] if not s.isdigit()))
        path = self.form.path[missing.link_id] if missing and at not in self.marks else ""
        while at and at not in self.marks:
            at = at.rpartition("/")[0]
        where, source = self.marks.get(at, ("", ""))
        return replace(self.place(source), where=path or where)

    def _items(self, items: Any, nodes: tuple[FormNode, ...], data: Json, at: str, path: str, source: str) -> None:
        if not isinstance(items, list):
            self._problem(path, source, "wrong-type", "item is not a list", "a list of items")
            return
        known: Mapping[str, FormNode] = {
            node.link_id: node for node in nodes if node.type is not QuestionType.DISPLAY
        }
        seen: dict[str, int] = {}
        for n, item in enumerate(items):
            here = f"{source}/{n}"
            link = item.get("linkId") if isinstance(item, dict) else None
            if not isinstance(link, str):
                self._problem(path, here, "no-link-id", "an item without a linkId", "the linkId of the question")
                continue
            seen[link] = seen.get(link, 0) + 1
            step = f"{path}/{link}" if path else link
            step += f"[{seen[link]}]" if seen[link] > 1 else ""
            node = known.get(link)
            if node is None:
                self._unknown(link, step, here)
            elif seen[link] > 1 and not (node.type is QuestionType.GROUP and node.repeats):
                right = "one item with all its answers" if node.repeats else "one answer; which is right?"
                self._problem(step, here, "item-twice", f"{link} stands twice", right, link)
            elif node.type is QuestionType.GROUP:
                self._group(item, node, data, at, step, here)
            else:
                self._question(item, node, data, at, step, here)

    def _group(self, item: Json, node: FormNode, data: Json, at: str, path: str, source: str) -> None:
        if "answer" in item:
            right = "its answers in the questions of the group"
            self._problem(path, source, "answer-of-group", f"{node.link_id} is a group", right, node.link_id)
        if node.is_list:
            entries = _put(data, node.key, [])
            at = f"{at}{pointer(*node.key)}/{len(entries)}"
            data = self._order(item)
            entries.append(data)
            self.marks[at] = (path, source)
        self._items(item.get("item", []), node.children, data, at, path, f"{source}/item")

    def _order(self, item: Json) -> Json:
        url = f"{self.form.catalogue.settings.canonical}/{ORDER}"
        extensions = item.get("extension")
        for extension in extensions if isinstance(extensions, list) else ():
            if isinstance(extension, dict) and extension.get("url") == url:
                order = extension.get("valuePositiveInt")
                return {"order": order} if type(order) is int else {}
        return {}

    def _question(self, item: Json, node: FormNode, data: Json, at: str, path: str, source: str) -> None:
        self._items(item.get("item", []), (), {}, at, path, f"{source}/item")
        answers = item.get("answer", [])
        if not isinstance(answers, list):
            right = "a list, also of one answer"
            self._problem(path, f"{source}/answer", "wrong-type", "answer is not a list", right, node.link_id)
            return
        several = at.startswith("/findings/") and node.key == ("value",)
        at += pointer(*node.key)
        values: list[Any] = []
        for n, answer in enumerate(answers):
            here = f"{source}/answer/{n}"
            if isinstance(answer, dict):
                self._items(answer.get("item", []), (), {}, at, path, f"{here}/item")
                value = read(answer, node, self.form.catalogue)
                if node.type is QuestionType.DATE_TIME:
                    value = self.times.local(value, node.link_id, replace(self.place(here), where=path))
            else:
                value = Unreadable("wrong-type", "an answer is not an object", "an object with its value")
            if not several and not isinstance(value, Unreadable):
                value = getattr(value, "text", value)
            if isinstance(value, Unreadable) and node.key[0] in _ASIDE:
                self._problem(path, here, value.rule, value.what, value.remedy, node.link_id)
            values.append(value)
            self.marks[f"{at}/{n}" if several else at] = (path, here)
        if len(values) > 1 and not node.repeats:
            what = f"{node.link_id} takes one answer; {len(values)} are given"
            self._problem(path, source, "several-values", what, "the one that is right", node.link_id)
        if values:
            _put(data, node.key, values if several else values[0])

    def _unknown(self, link: str, path: str, source: str) -> None:
        elsewhere = self.form.path.get(link)
        if elsewhere is not None:
            what, right = f"{shown(link)} does not stand here", f"it stands at {elsewhere}"
        else:
            close = near(
                link, (name for name, node in self.form.by_link.items() if node.type is not QuestionType.DISPLAY)
            )
            what = f"{self.form.canonical} has no item {shown(link)}"
            right = f"did you mean {' or '.join(close)}?" if close else "only the linkIds of that questionnaire"
            retired = self.form.catalogue.items.get(link.partition(".")[0])
            if retired is not None and not retired.on:
                what = f"{retired.id} is retired, and {self.form.canonical} does not ask it"
                right = f"use {retired.use}" if retired.use else "no other item stands for it"
        self._problem(path, source, "unknown-link-id", what, right)

    def _problem(self, path: str, source: str, rule: str, what: str, right: str, link: str = "") -> None:
        name = link.partition(".")[0]
        item = name if name in self.form.catalogue.items else ""
        self.problems.append(replace(self.place(source), where=path).error(rule, what, right, item))


def _put(data: Json, key: tuple[str, ...], value: Any) -> Any:
    """Put a value at a path, or give back what stands there already."""
    *steps, last = key
    for step in steps:
        data = data.setdefault(step, {})
    return data.setdefault(last, value)
