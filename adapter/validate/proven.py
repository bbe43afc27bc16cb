"""Our own bundles, validated quickly: each form of resource once by every layer, of each exam only what is its own.

The *form* of a resource is everything in it but the content of its slots: names, places, times, words, digits and
references. The first resource of a form is validated in full. If nothing is found, others of the form are right too
where each slot is: no rule of the validator asks more of these values than their type, but for a few things between
them and between entries, which are asked here. Whatever is not surely right is validated in full, so that the answer
is always that of :class:`adapter.validate.Validator`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from orjson import Fragment

from adapter.fhir.json import Json, dumps, loads
from adapter.fhir.observation_templates import ExamReferences, ObservationTemplate, TemplatedEntry
from adapter.problems import AdapterError, ExitCode
from adapter.validate import Findings, Validator
from adapter.validate.values import quick_test
from adapter.validate.walk import text, walk

_Form = tuple[object, ...]
_Targets = tuple[frozenset[str], ...]
_Proof = tuple[_Targets, object]

_UUID = re.compile(r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")
_PLAIN = re.compile(r"[A-Za-z0-9._/-]+")
_KINDS = ("transaction", "collection", "batch")
_MOST_FORMS = 20_000
_string, _time, _instant = quick_test("string"), quick_test("dateTime"), quick_test("instant")
_decimal, _uri = quick_test("decimal"), quick_test("uri")

#: What holds words, names and times; all other strings are part of the form
_SLOTS: dict[str, Callable[[Any], bool]] = {
    **dict.fromkeys(("value", "text", "contentString", "valueString", "conclusion"), _string),
    **dict.fromkeys(("effectiveDateTime", "valueDateTime", "authoredOn", "sent", "start", "end"), _time),
    **dict.fromkeys(("issued", "recorded", "timestamp"), _instant),
    "birthDate": quick_test("date"),
    "id": quick_test("id"),
}
#: Lists without a limit in R4 whose entries do not know of each other: their length is not part of the form
_ANY_NUMBER = frozenset({"target", "result", "reasonReference", "hasMember", "derivedFrom", "payload", "note"})
_REFERENCE, _REFERENCES = object(), object()


class _Unsure(AdapterError):
    """Something that only the whole validator can judge."""

    exit_code = ExitCode.INTERNAL


class Prover:
    """Validates bundles made by :func:`adapter.fhir.to_bundle` to be written, and remembers the forms it has proven.

    Where a site's packages are to be asked everything is validated in full, since a profile may ask anything of any
    value. ``in_full`` counts the bundles for which that was needed; ``forms`` the forms that were looked at.
    """

    def __init__(self, validator: Validator | None = None) -> None:
        self._validator = validator or Validator()
        self._proven: dict[_Form, _Targets | None] = {}
        self._templated: dict[_Form, dict[ObservationTemplate, _Proof]] = {}
        self.in_full = 0

    @property
    def forms(self) -> int:
        """How many forms are known."""
        return len(self._proven)

    def check(self, bundle: Json, *, file: str = "") -> Findings:
        """The problems of a bundle: none, or those that the validator finds."""
        if not self._validator.packages.structures:
            try:
                _Check(bundle, self).bundle()
            except (_Unsure, AttributeError, LookupError, TypeError, ValueError):
                pass  # of another shape than ours
            else:
                return Findings()
        self.in_full += 1
        return self._validator.validate(loads(dumps(bundle)), file=file)

    def targets(self, form: _Form, sample: Callable[[], Json]) -> _Targets:
        """Where each group of references in resources of a form may lead (nowhere named: anywhere).

        ``sample`` gives one of them in plain form; raises :class:`_Unsure` where anything was found in it.
        """
        if form not in self._proven:
            if len(self._proven) >= _MOST_FORMS:
                self._proven.clear()
                self._templated.clear()
            resource = sample()
            self._proven[form] = None if self._validator.validate(resource) else tuple(_groups(resource))
        found = self._proven[form]
        if found is None:
            raise _Unsure
        return found

    def templated(self, kind: str, shared: _Form) -> dict[ObservationTemplate, _Proof]:
        """What is proven of each template, in bundles of a kind, with this form of what the Observations share."""
        return self._templated.setdefault((kind, shared), {})

    def prove(self, one: TemplatedEntry, shared: _Form) -> _Proof:
        """Prove the Observation of a template, and the form of its entry."""
        (entry,) = loads(dumps([one]))
        targets = self.targets((one.template, one.references.kind, shared), lambda: entry["resource"])
        return targets, _frame(entry)


def _groups(resource: Json) -> Iterator[frozenset[str]]:
    """The types that each group of references may lead to, in the order of the resource."""
    before: object = None
    for node in walk(resource):
        if node.type == "Reference" and text(node.value, "reference"):
            here = (id(node.parent), node.name) if node.name in _ANY_NUMBER else id(node)
            if here != before:
                yield frozenset(node.element.targets if node.element else ())
            before = here


class _Reader:
    """Reads the form of a resource, testing each slot on the way; ``groups`` are the references, in order."""

    def __init__(self) -> None:
        self.groups: list[Sequence[str]] = []

    def form(self, value: Mapping[str, Any]) -> _Form:
        """Property by property: a slot by its name alone, all else with its content."""
        found: list[object] = []
        for name, content in value.items():
            kind = type(content)
            found.append(name)
            if kind is Fragment:
                found.append(content)  # by identity: parts that are compiled once
            elif kind is str:
                found.append(self._string(name, content, value))
            elif kind is dict:
                found.append(self.form(content))
            elif kind is list:
                found.append(self._list(name, content))
            elif name == "value" and kind in (Decimal, int) and _decimal(content):
                found.append(Decimal)
            else:
                found.append((kind, content))
        if "start" in value and "end" in value:
            _in_order(value)
        return tuple(found)

    def _string(self, name: str, content: str, holder: Mapping[str, Any]) -> object:
        if name == "reference":
            self.groups.append((content,))
            return _REFERENCE
        test = _SLOTS.get(name)
        if name == "display" and "code" not in holder:  # of a reference
            test = _string
        if test is None:
            return content
        if not test(content):
            raise _Unsure
        return test

    def _list(self, name: str, content: list[Any]) -> object:
        if name not in _ANY_NUMBER:
            return tuple([self.form(one) if type(one) is dict else (type(one), one) for one in content])
        if content and all(type(one) is dict and list(one) == ["reference"] for one in content):
            self.groups.append([one["reference"] for one in content])
            return _REFERENCES
        before = len(self.groups)
        forms = dict.fromkeys([self.form(one) if type(one) is dict else (type(one), one) for one in content])
        if len(self.groups) != before:
            raise _Unsure
        return tuple(forms)


def _in_order(period: Mapping[str, Any]) -> None:
    """A period's end is not before its start (per-1)."""
    try:
        if datetime.fromisoformat(period["start"]) <= datetime.fromisoformat(period["end"]):
            return
    except (TypeError, ValueError):
        pass
    raise _Unsure


class _Check:
    """The check of one bundle; every method raises :class:`_Unsure` where it cannot vouch for it."""

    def __init__(self, bundle: Json, prover: Prover) -> None:
        self._bundle, self._prover = bundle, prover
        self._types: dict[str, str] = {}
        self._links: list[tuple[Sequence[str], frozenset[str]]] = []
        self._subjects: set[object] = set()
        self._frames: set[object] = set()
        self._people: dict[str, list[Json]] = {"Patient": [], "RelatedPerson": []}

    def bundle(self) -> None:
        """All of it."""
        bundle = self._bundle
        if bundle.get("type") not in _KINDS or type(bundle.get("entry")) is not list:
            raise _Unsure
        templated = [entry for entry in bundle["entry"] if isinstance(entry, TemplatedEntry)]
        for shared in {id(one.references): one.references for one in templated}.values():
            self._templated([one for one in templated if one.references is shared], shared)
        for entry in bundle["entry"]:
            if not isinstance(entry, TemplatedEntry):
                self._entry(entry)
        head = {name: content for name, content in bundle.items() if name != "entry"}
        form = ("Bundle", _Reader().form(head), frozenset(self._frames))
        self._prover.targets(form, lambda: loads(dumps(bundle)))
        self._between()

    def _templated(self, several: list[TemplatedEntry], references: ExamReferences) -> None:
        """Observations made from templates: what they share, and what stands in the slots of each."""
        reader, content = _Reader(), loads(b"{" + references.written + b"}")
        shared = reader.form(content)
        proven = self._prover.templated(references.kind, shared)
        proofs = set()
        for one in several:
            proof = proven.get(one.template)
            if proof is None:
                proof = proven[one.template] = self._prover.prove(one, shared)
            proofs.add(proof)
            if not _slots_are_right(one):
                raise _Unsure
            self._known(f"urn:uuid:{one.name.uuid}", "Observation")
        for targets, frame in proofs:
            self._links += zip(reader.groups, targets, strict=True)
            self._frames.add(frame)
        self._subjects.add(content["subject"].get("reference"))

    def _entry(self, entry: Json) -> None:
        resource = entry.get("resource")
        if type(resource) is not dict or "contained" in resource:
            raise _Unsure
        kind = resource.get("resourceType", "")
        reader = _Reader()
        targets = self._prover.targets(reader.form(resource), lambda: loads(dumps(resource)))
        if len(targets) != len(reader.groups):
            raise _Unsure
        self._links += zip(reader.groups, targets, strict=True)
        if "subject" in resource:
            self._subjects.add(resource["subject"].get("reference"))
        if kind in self._people:
            self._people[kind].append(resource)
        if "fullUrl" in entry:
            self._known(entry["fullUrl"], kind)
        self._frames.add(_frame(entry))

    def _known(self, url: str, kind: str) -> None:
        """A full URL, which no other entry may have (bdl-7); a batch of ours has none."""
        if self._bundle["type"] == "batch":
            return
        if url in self._types or not _UUID.fullmatch(url):
            raise _Unsure
        self._types[url] = kind

    def _between(self) -> None:
        """What holds between the entries (:mod:`adapter.validate.bundle`)."""
        for links, allowed in self._links:
            types = {self._types.get(link) for link in links}
            if None in types or (allowed and not types <= allowed):
                raise _Unsure
        if len(self._subjects - {None}) > 1 or len(self._people["Patient"]) > 1:
            raise _Unsure
        patients = [_identifiers(patient) for patient in self._people["Patient"] if "link" not in patient]
        others = [_identifiers(person) for person in self._people["RelatedPerson"]]
        if len(patients) != len(self._people["Patient"]) or any(p & o for p in patients for o in others):
            raise _Unsure


def _slots_are_right(one: TemplatedEntry) -> bool:
    name, number, effective = one.name, one.number, one.effective
    return (
        (_PLAIN.fullmatch(name.value) is not None or _string(name.value))
        and (effective is one.references.started or _time(effective))
        and (number is not None) is one.template.measured
        and (number is None or _decimal(number))
    )


def _frame(entry: Json) -> object:
    """An entry without its resource; the URLs in it are tested here."""
    request = entry.get("request")
    if request is None:
        return tuple(name for name in entry)
    url, criteria = request.get("url"), request.get("ifNoneExist", "-")
    if not _uri(url) or not _string(criteria):
        raise _Unsure
    return tuple(entry), tuple(request), request.get("method")


def _identifiers(person: Json) -> set[tuple[str, str]]:
    return {(text(one, "system"), text(one, "value")) for one in person.get("identifier", ())}
