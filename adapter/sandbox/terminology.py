"""The terminology operations of the sandbox: $lookup, $validate-code, $expand, $translate over what it was given.

FHIR R4 Terminology Service (terminology-service.html). It answers for the catalogue's own package and for packages
named when it was started: code systems with their properties (LOINC or SNOMED CT only as far as such a package has a
fragment of them), value sets that list their codes, SNOMED CT's ``?fhir_vs=isa/`` by the property ``parent``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import lru_cache
from typing import Any, NamedTuple

from adapter.catalogue import Catalogue, load_catalogue
from adapter.fhir.json import Json
from adapter.sandbox.refusal import Refusal
from adapter.validate.packages import Packages
from adapter.write.package import definitions

OPERATIONS = {
    ("CodeSystem", "$lookup"): "http://hl7.org/fhir/OperationDefinition/CodeSystem-lookup",
    ("CodeSystem", "$validate-code"): "http://hl7.org/fhir/OperationDefinition/CodeSystem-validate-code",
    ("ValueSet", "$validate-code"): "http://hl7.org/fhir/OperationDefinition/ValueSet-validate-code",
    ("ValueSet", "$expand"): "http://hl7.org/fhir/OperationDefinition/ValueSet-expand",
    ("ConceptMap", "$translate"): "http://hl7.org/fhir/OperationDefinition/ConceptMap-translate",
}
"""By type and name, with their definitions."""

_ISA = "?fhir_vs=isa/"
_MOST = 1000


class Definitions:
    """Code systems, value sets and concept maps, and the answers that they give."""

    def __init__(self, resources: Iterable[Mapping[str, Any]]) -> None:
        self._packages = Packages()
        self._systems: dict[str, Json] = {}
        self._concepts: dict[str, dict[str, Json]] = {}
        self._maps: dict[str, dict[tuple[str, str, bool], list[_Mapping]]] = {}
        for resource in resources:
            self._packages.add(resource)
            if resource.get("resourceType") == "ConceptMap":
                self._maps[str(resource.get("url"))] = _mappings(resource)
            if resource.get("resourceType") == "CodeSystem":
                url = str(resource.get("url"))
                self._systems[url] = dict(resource)
                self._concepts[url] = {str(one.get("code")): one for one in _below(resource)}

    def answer(self, type_: str, operation: str, given: Mapping[str, str]) -> Json:
        """The result of an operation. Raises :class:`Refusal`."""
        match type_, operation:
            case "CodeSystem", "$lookup":
                return self._lookup(given)
            case "CodeSystem", "$validate-code":
                return self._validated(given)
            case "ValueSet", "$validate-code":
                return self._member(given)
            case "ValueSet", "$expand":
                return self._expanded(given)
            case "ConceptMap", "$translate":
                return self._translated(given)
        raise Refusal(404, "not-found", f"there is no operation {operation} on {type_} here")

    def _system(self, url: str, version: str | None) -> Json:
        system = self._systems.get(url)
        if system is None or (version and system.get("version") != version):
            shown = f"{url}|{version}" if version else url
            raise Refusal(404, "not-found", f"the code system {shown} is not held here")
        return system

    def _lookup(self, given: Mapping[str, str]) -> Json:
        url, code = _needed(given, "system"), _needed(given, "code")
        system = self._system(url, given.get("version"))
        concept = self._concepts[url].get(code)
        if concept is None:
            raise Refusal(404, "not-found", f"{url} has no code {code} here")
        found = [_one("name", "valueString", system.get("name", url))]
        if system.get("version"):
            found.append(_one("version", "valueString", system["version"]))
        found.append(_one("display", "valueString", concept.get("display", code)))
        for designation in concept.get("designation") or ():
            parts = [_one("value", "valueString", designation["value"])]
            if "use" in designation:
                parts.insert(0, _one("use", "valueCoding", designation["use"]))
            found.append({"name": "designation", "part": parts})
        for told in concept.get("property") or ():
            key = next(name for name in told if name.startswith("value"))
            parts = [_one("code", "valueCode", told["code"]), _one("value", key, told[key])]
            found.append({"name": "property", "part": parts})
        return _parameters(found)

    def _validated(self, given: Mapping[str, str]) -> Json:
        url, code = _needed(given, "url"), _needed(given, "code")
        self._system(url, given.get("version"))
        concept = self._concepts[url].get(code)
        return _result(concept is not None, f"{url} has no code {code} here", (concept or {}).get("display"))

    def _codes(self, url: str) -> Iterator[tuple[str, str]]:
        """System and code of all that a value set has."""
        system, isa, root = url.partition(_ISA)
        if isa and system in self._concepts:
            yield from ((system, code) for code in self._under(system, root))
            return
        whole = url.removesuffix("/vs") if url.endswith("/vs") else url.removesuffix("?fhir_vs")
        if whole != url and whole in self._concepts:
            yield from ((whole, code) for code in self._concepts[whole])
            return
        codes = self._packages.codes(url)
        if codes is None:
            raise Refusal(404, "not-found", f"the value set {url} is not held here, or cannot be listed")
        yield from ((name, code) for name, several in codes.items() for code in sorted(several))

    def _under(self, system: str, root: str) -> Iterator[str]:
        above = {code: _parents(concept) for code, concept in self._concepts[system].items()}
        for code in above:
            open_, seen = [code], set()
            while open_:
                one = open_.pop()
                if one == root:
                    yield code
                    break
                if one not in seen:
                    seen.add(one)
                    open_ += above.get(one, [])

    def _member(self, given: Mapping[str, str]) -> Json:
        pair = (_needed(given, "system"), _needed(given, "code"))
        return _result(pair in set(self._codes(_needed(given, "url"))), f"the value set has no code {pair[1]}", None)

    def _expanded(self, given: Mapping[str, str]) -> Json:
        url, words = _needed(given, "url"), given.get("filter", "").casefold().split()
        most = int(count) if (count := given.get("count", "")).isdigit() else _MOST
        contains = []
        for system, code in self._codes(url):
            concept = self._concepts.get(system, {}).get(code, {})
            display = str(concept.get("display", ""))
            names = " ".join([display, *(d["value"] for d in concept.get("designation") or ())]).casefold()
            if all(word in names for word in words) and not _is_inactive(concept):
                contains.append({"system": system, "code": code, **({"display": display} if display else {})})
        expansion = {"timestamp": "2026-01-01T00:00:00Z", "total": len(contains), "contains": contains[:most]}
        return {"resourceType": "ValueSet", "url": url, "status": "active", "expansion": expansion}

    def _translated(self, given: Mapping[str, str]) -> Json:
        system, code = _needed(given, "system"), _needed(given, "code")
        back, wanted = given.get("reverse") == "true", given.get("targetsystem")
        urls = [given["url"]] if "url" in given else list(self._maps)
        if not any(url in self._maps for url in urls):
            raise Refusal(404, "not-found", f"the concept map {given.get('url')} is not held here")
        matches = [
            {"name": "match", "part": [
                _one("equivalence", "valueCode", one.equivalence),
                *([_one("concept", "valueCoding", one.concept)] if one.concept else []),
                _one("source", "valueUri", url),
            ]}
            for url in urls
            for one in self._maps.get(url, {}).get((system, code, back), ())
            if not wanted or one.system == wanted
        ]  # fmt: skip
        told = any(len(match["part"]) == 3 for match in matches)
        return _parameters([_one("result", "valueBoolean", told), *matches])


@lru_cache(maxsize=4)
def own_definitions(catalogue: Catalogue | None = None) -> Definitions:
    """What the package of a catalogue carries, the shipped one's where none is named."""
    return Definitions(definitions(catalogue or load_catalogue()))


class _Mapping(NamedTuple):
    """Where a code leads: the other's system, its coding (None where it is unmatched), and how well it fits."""

    system: str
    concept: Json | None
    equivalence: str


def _mappings(map_: Mapping[str, Any]) -> dict[tuple[str, str, bool], list[_Mapping]]:
    """The mappings of a map by system, code and direction; True: from target to source."""
    found: dict[tuple[str, str, bool], list[_Mapping]] = {}
    for group in map_.get("group") or ():
        here, there = str(group.get("source")), str(group.get("target"))
        for element in group.get("element") or ():
            for target in element.get("target") or ():
                fit = str(target.get("equivalence"))
                to = _Mapping(there, _concept(there, target), fit)
                found.setdefault((here, str(element.get("code")), False), []).append(to)
                if "code" in target:
                    back = _Mapping(here, _concept(here, element), fit)
                    found.setdefault((there, str(target["code"]), True), []).append(back)
    return found


def _concept(system: str, held: Json) -> Json | None:
    concept = {"system": system, "code": held.get("code"), "display": held.get("display")}
    return {name: value for name, value in concept.items() if value} if held.get("code") else None


def _below(parent: Mapping[str, Any]) -> Iterator[Json]:
    for concept in parent.get("concept") or ():
        yield concept
        yield from _below(concept)


def _parents(concept: Json) -> list[str]:
    told = (one for one in concept.get("property") or () if one.get("code") == "parent")
    return [str(one.get("valueCode") or one.get("valueCoding", {}).get("code")) for one in told]


def _is_inactive(concept: Json) -> bool:
    return any(p.get("code") == "inactive" and p.get("valueBoolean") is True for p in concept.get("property") or ())


def _needed(given: Mapping[str, str], name: str) -> str:
    if not given.get(name):
        raise Refusal(400, "required", f"the parameter {name} is missing")
    return given[name]


def _one(name: str, key: str, value: Any) -> Json:
    return {"name": name, key: value}


def _parameters(found: list[Json]) -> Json:
    return {"resourceType": "Parameters", "parameter": found}


def _result(well: bool, otherwise: str, display: str | None) -> Json:
    told = [_one("result", "valueBoolean", well)]
    if not well:
        told.append(_one("message", "valueString", otherwise))
    return _parameters([*told, *([_one("display", "valueString", display)] if display else [])])
