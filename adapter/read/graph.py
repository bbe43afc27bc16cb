"""FHIR resources as they lie in an input, how they refer to each other, and where each of them stands."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

from adapter.catalogue import Catalogue
from adapter.fhir.json import Json
from adapter.fhir.locations import locate_json, locate_xml
from adapter.read.places import Place

Locate = Callable[[str], Place]
"""From an element of a resource (``.valueQuantity.value``; empty: the resource) to its place in the input."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One resource of an input."""

    resource: Json
    full_url: str
    locate: Locate

    @property
    def type(self) -> str:
        """The resource's type."""
        return str(self.resource.get("resourceType", ""))


def entries_of(bundle: Json, name: str = "", text: str | bytes | None = None, line: int | None = None) -> list[Entry]:
    """The resources of a Bundle.

    ``name`` is its file; ``text`` the JSON or XML that it was read from, in which lines are looked for once a problem
    asks for one; ``line`` its line, where it is one of many in a file (NDJSON).
    """

    @cache
    def at(where: str) -> Place:
        if line is not None or text is None:
            return Place(where, line, name)
        found = locate_xml(text, [where]) if isinstance(text, bytes) else locate_json(text, [where])
        return Place(where, found.get(where, (None, None))[0], name)

    def located(number: int) -> Locate:
        return lambda element: at(f"Bundle.entry[{number}].resource{element}")

    entries = bundle.get("entry")
    found = []
    for number, entry in enumerate(entries if isinstance(entries, list) else ()):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict):
            url = entry.get("fullUrl")
            found.append(Entry(resource, url if isinstance(url, str) else "", located(number)))
    return found


def alone(resource: Json, name: str, line: int | None = None) -> Entry:
    """A resource that stands alone in a file, or on a line of one."""
    key = f"{resource.get('resourceType')}/{resource.get('id')}"
    return Entry(resource, key, lambda element: Place(f"{resource.get('resourceType')}{element}", line, name))


class Graph:
    """Resources that refer to each other."""

    def __init__(self, entries: Iterable[Entry], catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self.entries = list(entries)
        self._by_reference: dict[str, Entry] = {}
        self._by_identifier: dict[tuple[str, str], Entry] = {}
        for entry in self.entries:
            if entry.full_url:
                self._by_reference[entry.full_url] = entry
            if "id" in entry.resource:
                self._by_reference[f"{entry.type}/{entry.resource['id']}"] = entry
            for identifier in objects(entry.resource.get("identifier")):
                key = (str(identifier.get("system", "")), str(identifier.get("value", "")))
                self._by_identifier[key] = entry

    def find(self, reference: Any) -> Entry | None:
        """The resource a reference leads to, if it is here."""
        if not isinstance(reference, dict):
            return None
        literal = str(reference.get("reference", ""))
        found = self._by_reference.get(literal)
        if found is None and literal.startswith("http"):
            found = self._by_reference.get("/".join(literal.split("/")[-2:]))
        logical = reference.get("identifier")
        if found is None and isinstance(logical, dict):
            found = self._by_identifier.get((str(logical.get("system", "")), str(logical.get("value", ""))))
        return found

    def own_id(self, resource: Json, kind: str) -> str | None:
        """The value of the resource's identifier in one of our own systems."""
        system = self._catalogue.identifier_system(kind)
        return next((i.get("value") for i in objects(resource.get("identifier")) if i.get("system") == system), None)

    def pointing(self, resource_type: str, field: str, target: Entry) -> Iterator[Entry]:
        """Resources of a type whose field refers to the target."""
        for entry in self.entries:
            if entry.type == resource_type:
                references = entry.resource.get(field, [])
                for reference in references if isinstance(references, list) else [references]:
                    if self.find(reference) is target:
                        yield entry
                        break


def objects(value: Any) -> list[Json]:
    """The objects of an array; none of anything else (R4 has a few identifiers that do not repeat)."""
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []
