"""FHIR resources as they lie in an input, how they refer to each other, and where each of them stands."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapter.catalogue import Catalogue
from adapter.read.places import Place

if TYPE_CHECKING:
    from adapter.fhir.json import Json
    from adapter.fhir.locations import JsonPlaces, XmlPlaces

Locate = Callable[[str], Place]
"""From an element of a resource (``.valueQuantity.value``; empty: the resource) to its place in the input."""


_USUAL = 2_000


class Origin:
    """What resources were read from: a file, or a line of one.

    ``text`` is the JSON or XML, in which lines are looked for once a problem asks for one; ``line`` the line of a
    document that is one of many (NDJSON); ``within`` leads to one of the resources of a JSON array (``[3] ``).
    ``size`` is that of the text, or a guess.
    """

    def __init__(
        self, file: str = "", text: str | bytes | None = None, line: int | None = None, within: str = ""
    ) -> None:
        self.file, self.line, self._within = file, line, within
        self.size = len(text) if text is not None else _USUAL
        self._text = text if line is None else None
        self._places: JsonPlaces | XmlPlaces | None = None

    def place(self, where: str) -> Place:
        """The place of an element, written like a FHIRPath (``Bundle.entry[12].resource.valueQuantity``)."""
        where = f"{self._within}{where}"
        if self._text is None:
            return Place(where.rstrip(), self.line, self.file)
        if self._places is None:
            from adapter.fhir.locations import JsonPlaces, XmlPlaces  # here: only what is faulty is looked for

            self._places = XmlPlaces(self._text) if isinstance(self._text, bytes) else JsonPlaces(self._text)
        found = self._places.place(where)
        return Place(where.rstrip(), found[0] if found else None, self.file)

    @property
    def whole(self) -> Place:
        """The place of the document as a whole, or of its resource in an array."""
        return self.place("") if self._within else Place("", self.line, self.file)


@dataclass(frozen=True, slots=True)
class BundleEntry:
    """One resource of an input."""

    resource: Json
    full_url: str
    locate: Locate

    @property
    def type(self) -> str:
        """The resource's type."""
        return str(self.resource.get("resourceType", ""))

    @property
    def key(self) -> str | None:
        """``Type/id``, where it has an id."""
        name = self.resource.get("id")
        return f"{self.type}/{name}" if isinstance(name, str) else None


def deleted_by(bundle: Any) -> list[str] | None:
    """``Type/id`` of what a Bundle of deletions names, as a Bulk Data export has them (``deleted`` of its manifest,
    HL7 FHIR Bulk Data Access 2.0.0): a transaction without resources; None for anything else."""
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        return None
    entries = objects(bundle.get("entry"))
    asked = [one["request"] for one in entries if "resource" not in one and isinstance(one.get("request"), dict)]
    if not entries or len(asked) < len(entries) or any(one.get("method") != "DELETE" for one in asked):
        return None
    return ["/".join(str(one.get("url")).rsplit("/", 2)[-2:]) for one in asked]


def entries_of(bundle: Json, origin: Origin) -> list[BundleEntry]:
    """The resources of a Bundle."""

    def located(number: int) -> Locate:
        return lambda element: origin.place(f"Bundle.entry[{number}].resource{element}")

    entries = bundle.get("entry")
    found = []
    for number, entry in enumerate(entries if isinstance(entries, list) else ()):
        resource = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(resource, dict):
            url = entry.get("fullUrl")
            found.append(_entry(resource, url if isinstance(url, str) else "", located(number)))
    return found


def alone(resource: Json, origin: Origin) -> BundleEntry:
    """A resource that stands alone in a file, on a line of one or in an array."""
    kind = resource.get("resourceType")
    return _entry(resource, f"{kind}/{resource.get('id')}", lambda element: origin.place(f"{kind}{element}"))


def _entry(resource: Json, full_url: str, locate: Locate) -> BundleEntry:
    from adapter.fhir.release import to_r4  # here: a run that reads no FHIR loads none of it

    return BundleEntry(to_r4(resource), full_url, locate)


class Graph:
    """Resources that refer to each other."""

    def __init__(self, entries: Iterable[BundleEntry], catalogue: Catalogue) -> None:
        self._catalogue = catalogue
        self.entries = list(entries)
        self._by_reference: dict[str, BundleEntry] = {}
        self._by_identifier: dict[tuple[str, str], BundleEntry] = {}
        for entry in self.entries:
            if entry.full_url:
                self._by_reference[entry.full_url] = entry
            if entry.key is not None:
                self._by_reference[entry.key] = entry
            for identifier in objects(entry.resource.get("identifier")):
                key = (str(identifier.get("system", "")), str(identifier.get("value", "")))
                self._by_identifier[key] = entry

    def find(self, reference: Any) -> BundleEntry | None:
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

    def pointing(self, resource_type: str, field: str, target: BundleEntry) -> Iterator[BundleEntry]:
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
