"""Layer bundle: what holds between the resources of a Bundle.

Full URLs, references that lead nowhere or to the wrong type, and newborn and mother kept apart. Sources: FHIR
R4 Bundle (bundle.html#references), Resource References (references.html), Patient (patient.html#maternity).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from adapter.fhir.definitions import resource_types
from adapter.problems import Layer, Problem, Severity
from adapter.validate.references import relative_parts
from adapter.validate.walk import ElementNode, objects, text

_REFERENCES = "FHIR R4 Bundle (bundle.html#references)"
_FULL_URL = "FHIR R4 Bundle, entry.fullUrl (bundle.html#bundle-unique)"
_MATERNITY = "FHIR R4 Patient, mother and newborn (patient.html#maternity)"
_URN = re.compile(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}|urn:oid:[0-2](\.(0|[1-9][0-9]*))+")
#: "a URN or an absolute URL" (the definition of entry.fullUrl), of whichever scheme
_ABSOLUTE = re.compile(r"https?://[^/\s]+\S*|(?!https?:)[A-Za-z][A-Za-z0-9+.-]*:\S+")
_SERVER_URL = re.compile(r"https?://.+/(?P<type>[A-Z][A-Za-z]+)/(?P<id>[A-Za-z0-9.-]{1,64})")
_SEARCH_SET = "FHIR R4 Bundle, search sets (bundle.html#searchset)"
_DOCUMENT = "FHIR R4 Documents (documents.html#content)"
_CLOSED_TYPES = ("document", "collection")
_ABOUT_ONE = frozenset({"Encounter", "DiagnosticReport", "Composition"})
_MOTHER = ("http://terminology.hl7.org/CodeSystem/v3-RoleCode", frozenset({"MTH", "NMTH", "GESTM"}))


@dataclass(slots=True, eq=False)
class _Entry:
    """A resource of the Bundle, where it stands, and its ``names``: type and id."""

    entry: ElementNode
    full_url: str
    node: ElementNode
    names: tuple[str, str]

    @property
    def where(self) -> str:
        return self.entry.where


class _Index:
    """Finds the entry that a reference leads to."""

    def __init__(self, bundle: ElementNode, nodes: Iterable[ElementNode]) -> None:
        self.type = text(bundle.value, "type")
        self.entries: list[_Entry] = []
        for node in nodes:
            entry = node.parent
            if node.resource is None and entry is not None and entry.parent is bundle and entry.name == "entry":
                names = node.type, text(node.value, "id")
                self.entries.append(_Entry(entry, text(entry.value, "fullUrl"), node, names))
        self.by_url = {entry.full_url: entry for entry in self.entries if entry.full_url}
        self.by_name = {entry.names: entry for entry in self.entries if entry.names[1]}
        self._subjects: dict[int, str] = {}

    def target(self, reference: str) -> _Entry | None:
        """The entry that a reference leads to, by full URL, else by type and id."""
        found = self.by_url.get(reference)
        if found is not None:
            return found
        plain = reference.partition("#")[0].partition("/_history/")[0]
        found = self.by_url.get(plain)
        if found is None and (parts := relative_parts(plain)):
            found = self.by_name.get(parts)
        return found

    def subject(self, node: ElementNode) -> str:
        """The subject in a form that can be compared: the entry it leads to, else the reference as written."""
        known = self._subjects.get(id(node))
        if known is None:
            reference = next((text(one, "reference") for one in node.objects("subject")), "")
            target = self.target(reference) if reference else None
            known = self._subjects[id(node)] = target.full_url or target.where if target else reference
        return known


def check_bundle(nodes: list[ElementNode]) -> Iterator[Problem]:
    """Yield what is wrong between the entries of the outermost Bundle; nothing for another resource."""
    if not nodes or nodes[0].type != "Bundle":
        return
    bundle = nodes[0]
    index = _Index(bundle, nodes)
    references = [(n, at) for n in nodes if n.type == "Reference" and (at := text(n.value, "reference"))]
    yield from _check_full_urls(bundle)
    yield from _check_ids(index)
    yield from _check_reachable(index, references)
    yield from _check_targets(index, references)
    yield from _check_subjects(index)
    yield from _check_mother(index)
    yield from _check_identifiers(index)


def _check_full_urls(bundle: ElementNode) -> Iterator[Problem]:
    """The form of full URLs; that they are unique is the constraint bdl-7."""
    entries = bundle.value.get("entry")
    for number, entry in enumerate(entries if isinstance(entries, list) else ()):
        url = text(entry, "fullUrl") if isinstance(entry, Mapping) else ""
        if not url or (_URN if url[:4].lower() == "urn:" else _ABSOLUTE).fullmatch(url):
            continue
        what = "neither urn:uuid: with a UUID in lower case, nor urn:oid:, nor an absolute URL"
        where = f"{bundle.where}.entry[{number}].fullUrl"
        yield _problem("full-url-form", where, what, "urn:uuid:6ba7b810-9dad-41d1-80b4-00c04fd430c8", _FULL_URL)


def _check_ids(index: _Index) -> Iterator[Problem]:
    """Every entry has its full URL, except in a batch or transaction; one of a server ends with type and id."""
    for entry in index.entries:
        type_name, identifier = entry.names
        if not entry.full_url:
            if index.type not in ("batch", "transaction"):
                what, where = "an entry without fullUrl", entry.where
                yield _problem("full-url-missing", where, what, "the identity of the resource as a URL", _FULL_URL)
            continue
        parts = _SERVER_URL.fullmatch(entry.full_url)
        if not identifier and index.type == "searchset" and not _is_outcome(entry):
            what, remedy = "what a search found has no id", "the id of the resource on the server"
            yield _problem("search-result-id", f"{entry.node.where}.id", what, remedy, _SEARCH_SET)
        if not identifier and parts and parts["type"] == type_name and index.type not in ("batch", "transaction"):
            what = "the full URL is one of a server, and the resource has no id"
            yield _problem("full-url-id", f"{entry.where}.fullUrl", what, f"the id {parts['id']}", _FULL_URL)
        if identifier and parts and parts["type"] in resource_types() and (parts["type"], parts["id"]) != entry.names:
            what = "the full URL is that of another resource than the one in the entry"
            where = f"{entry.where}.fullUrl"
            yield _problem("full-url-id", where, what, f"…/{type_name}/{identifier}", _FULL_URL)


def _is_outcome(entry: _Entry) -> bool:
    """Whether it tells of the search: it says so, or is an OperationOutcome that does not say otherwise."""
    modes = [text(search, "mode") for search in entry.entry.objects("search")]
    return "outcome" in modes or (entry.node.type == "OperationOutcome" and not any(modes))


def _check_reachable(index: _Index, references: Iterable[tuple[ElementNode, str]]) -> Iterator[Problem]:
    """In a document, links lead from the Composition to every entry, forwards or backwards."""
    if index.type != "document" or not index.entries:
        return
    of_entry = {id(entry.node): entry for entry in index.entries}
    links: dict[int, set[int]] = {key: set() for key in of_entry}
    for node, reference in references:
        source, target = of_entry.get(id(node.container)), index.target(reference)
        if source is not None and target is not None:
            links[id(source.node)].add(id(target.node))
            links[id(target.node)].add(id(source.node))
    reached: set[int] = set()
    waiting = [id(index.entries[0].node)]
    while waiting:
        reached.add(here := waiting.pop())
        waiting += links[here] - reached
    for key, entry in of_entry.items():
        if key not in reached:
            what = "no links lead from the Composition to this entry"
            yield _problem("unreachable-entry", entry.where, what, "a reference to it, or leave it out", _DOCUMENT)


def _check_targets(index: _Index, references: Iterable[tuple[ElementNode, str]]) -> Iterator[Problem]:
    for node, reference in references:
        target = index.target(reference)
        if target is not None:
            allowed = node.element.targets if node.element else ()
            if allowed and target.node.type not in allowed:
                what = f"leads to a {target.node.type}"
                yield _problem("reference-target", f"{node.where}.reference", what, " | ".join(allowed), _REFERENCES)
        elif reference.startswith(("urn:uuid:", "urn:oid:")):
            what = "leads to no entry of this Bundle"
            remedy = "the fullUrl of an entry; a urn: can be resolved nowhere else"
            yield _problem("unresolved-reference", f"{node.where}.reference", what, remedy, _REFERENCES)
        elif relative_parts(reference) and index.type in _CLOSED_TYPES:
            what = f"leads to no entry of this {index.type}"
            remedy = "the resource as an entry, or an absolute URL"
            where = f"{node.where}.reference"
            yield _problem("unresolved-reference", where, what, remedy, _REFERENCES, Severity.WARNING)


def _check_subjects(index: _Index) -> Iterator[Problem]:
    """All Observations of one report or panel are of the same person as the report or panel."""
    for entry in index.entries:
        name = {"DiagnosticReport": "result", "Observation": "hasMember"}.get(entry.node.type)
        if name is None:
            continue
        own = index.subject(entry.node)
        for number, reference in enumerate(entry.node.objects(name)):
            target = index.target(text(reference, "reference"))
            other = index.subject(target.node) if target else None
            if own and other and own != other:
                what = f"this {name} is of another subject than the {entry.node.type}"
                where = f"{entry.node.where}.{name}[{number}]"
                yield _problem("mixed-subjects", where, what, "Observations of one subject only", _MATERNITY)


def _check_mother(index: _Index) -> Iterator[Problem]:
    """An Observation of a Patient who is linked to a RelatedPerson as the mother of another patient.

    Where nothing else in the Bundle is about the mother as a patient, this is an error, else a warning.
    """
    patients = [entry for entry in index.entries if entry.node.type == "Patient"]
    mothers = {entry.full_url or entry.where for entry in patients if _is_mother(index, entry)}
    if not mothers:
        return
    about = [index.subject(entry.node) for entry in index.entries if entry.node.type in _ABOUT_ONE]
    severity = Severity.WARNING if not about or mothers & set(about) else Severity.ERROR
    for entry in index.entries:
        if entry.node.type == "Observation" and index.subject(entry.node) in mothers:
            what = "the subject is the mother, not the newborn"
            remedy = "the newborn's Patient, unless the mother herself was observed"
            where = f"{entry.node.where}.subject"
            yield _problem("subject-is-mother", where, what, remedy, _MATERNITY, severity)


def _is_mother(index: _Index, patient: _Entry) -> bool:
    for link in patient.node.objects("link"):
        for other in objects(link, "other"):
            related = index.target(text(other, "reference"))
            if related and related.node.type == "RelatedPerson" and _has_mother_role(related.node.value):
                child = next((text(one, "reference") for one in related.node.objects("patient")), "")
                if index.target(child) is not patient:
                    return True
    return False


def _has_mother_role(related: Mapping[str, Any]) -> bool:
    codings = [coding for role in objects(related, "relationship") for coding in objects(role, "coding")]
    return any(text(c, "system") == _MOTHER[0] and text(c, "code") in _MOTHER[1] for c in codings)


def _check_identifiers(index: _Index) -> Iterator[Problem]:
    """No identifier of one patient is that of another, or of the related person of that patient."""
    owners: dict[tuple[str, str], _Entry] = {}
    for entry in index.entries:
        if entry.node.type == "Patient":
            for number, key in _identifiers(entry.node):
                owner = owners.setdefault(key, entry)
                if owner is not entry and owner.full_url != entry.full_url:
                    yield _shared(entry, number, owner)
    for entry in index.entries:
        if entry.node.type == "RelatedPerson":
            child = next((text(one, "reference") for one in entry.node.objects("patient")), "")
            for number, key in _identifiers(entry.node):
                patient = owners.get(key)
                if patient is not None and patient is index.target(child):
                    yield _shared(entry, number, patient)


def _identifiers(node: ElementNode) -> Iterator[tuple[int, tuple[str, str]]]:
    for number, identifier in enumerate(node.objects("identifier")):
        key = (text(identifier, "system"), text(identifier, "value"))
        if all(key):
            yield number, key


def _shared(entry: _Entry, number: int, owner: _Entry) -> Problem:
    what = f"this identifier is also that of the Patient in {owner.where}"
    where = f"{entry.node.where}.identifier[{number}]"
    return _problem("shared-identifier", where, what, "each person's own identifiers", _MATERNITY)


def _problem(
    rule: str, where: str, what: str, remedy: str, section: str, severity: Severity = Severity.ERROR
) -> Problem:
    return Problem(severity, Layer.BUNDLE, rule, what, remedy, where=where, section=section)
