"""Reads packages: StructureDefinitions, ValueSets and CodeSystems by their canonical URL."""

from __future__ import annotations

import re
import tarfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from adapter.fhir.definitions import code_system, value_set
from adapter.fhir.json import FhirJsonError, loads
from adapter.fhir.xml import FhirXmlError, from_xml
from adapter.problems import AdapterError, ExitCode
from adapter.validate.fhirpath import PathItem
from adapter.validate.walk import text

Json = Mapping[str, Any]
_MAX_FILE = 16 * 1024 * 1024
_HEAD = 4096
_DEFINITION = re.compile(rb"<(StructureDefinition|ValueSet|CodeSystem)[\s>]")
"""What begins a definition in XML; a guide's folder has other XML beside them (settings of its tools, pages)."""


class PackageError(AdapterError, ValueError):
    """A package that cannot be read; the message says which file and why."""

    exit_code = ExitCode.USAGE


@dataclass(slots=True)
class Packages:
    """What packages define, by canonical URL without version."""

    structures: dict[str, Json] = field(default_factory=dict)
    value_sets: dict[str, Json] = field(default_factory=dict)
    code_systems: dict[str, Json] = field(default_factory=dict)
    _defined: dict[str, dict[str, tuple[str, ...]] | None] = field(default_factory=dict)
    _codes: dict[str, dict[str, frozenset[str]] | None] = field(default_factory=dict)

    def add(self, resource: Json) -> None:
        """Take in a definition; anything else is passed over."""
        kinds = {
            "StructureDefinition": self.structures,
            "ValueSet": self.value_sets,
            "CodeSystem": self.code_systems,
        }
        kind, url = kinds.get(str(resource.get("resourceType"))), resource.get("url")
        if kind is not None and isinstance(url, str):
            kind[url] = resource

    def structure(self, canonical: str) -> Json | None:
        """The StructureDefinition of a canonical URL, with or without version."""
        return self.structures.get(canonical.partition("|")[0])

    def codes(self, canonical: str) -> dict[str, frozenset[str]] | None:
        """The codes of a value set by system; None where neither the packages nor R4 enumerate them."""
        url = canonical.partition("|")[0]
        if url not in self._codes:
            self._codes[url] = None  # a value set that includes itself is not enumerated
            self._codes[url] = self._enumerate(url)
        return self._codes[url]

    def _enumerate(self, url: str) -> dict[str, frozenset[str]] | None:
        definition = self.value_sets.get(url)
        if definition is None:
            known = value_set(f"{url}|4.0.1") or value_set(url)
            return dict(known.systems) if known else None
        expansion = definition.get("expansion")
        if isinstance(expansion, Mapping) and expansion.get("contains"):
            found: dict[str, frozenset[str]] = {}
            for entry in expansion["contains"]:
                system = str(entry.get("system", ""))
                found[system] = found.get(system, frozenset()) | {str(entry.get("code"))}
            return found
        return self._composed(definition.get("compose") or {})

    def _composed(self, compose: Json) -> dict[str, frozenset[str]] | None:
        found: dict[str, frozenset[str]] = {}
        for include in compose.get("include") or ():
            part = self._included(include)
            if part is None:
                return None
            for system, codes in part.items():
                found[system] = found.get(system, frozenset()) | codes
        for exclude in compose.get("exclude") or ():
            part = self._included(exclude)
            if part is None:
                return None
            for system, codes in part.items():
                found[system] = found.get(system, frozenset()) - codes
        return found

    def _included(self, include: Json) -> dict[str, frozenset[str]] | None:
        """The codes of one include: its concepts or whole system, cut down to its value sets."""
        found: dict[str, frozenset[str]] | None = None
        system = include.get("system")
        if include.get("filter"):
            return None
        if isinstance(system, str):
            listed = include.get("concept")
            codes = frozenset(str(c.get("code")) for c in listed) if listed else self._system(system)
            if codes is None:
                return None
            found = {system: codes}
        for other in include.get("valueSet") or ():
            imported = self.codes(str(other))
            if imported is None:
                return None
            if found is None:
                found = dict(imported)
            else:
                found = {s: codes & imported.get(s, frozenset()) for s, codes in found.items()}
        return found

    def defined(self, url: str) -> dict[str, tuple[str, ...]] | None:
        """The codes of a code system that a package defines in full, each with its displays; None for any other."""
        if url not in self._defined:
            definition = self.code_systems.get(url)
            whole = definition is not None and definition.get("content") == "complete"
            self._defined[url] = dict(_displays(definition or {})) if whole else None
        return self._defined[url]

    def _system(self, url: str) -> frozenset[str] | None:
        definition = self.code_systems.get(url)
        if definition is None:
            return code_system(url)
        if definition.get("content") != "complete":
            return None
        return frozenset(_concepts(definition))

    def member_of(self, item: PathItem, canonical: str) -> bool | None:
        """Whether a coded value is in a value set; None where that cannot be told."""
        codes = self.codes(canonical)
        if codes is None:
            return None
        value = item.value
        if isinstance(value, str):
            return any(value in listed for listed in codes.values())
        if not isinstance(value, Mapping):
            return None
        codings = value.get("coding") if item.type == "CodeableConcept" else [value]
        pairs = ((text(c, "system"), text(c, "code")) for c in _listed(codings) if isinstance(c, Mapping))
        return any(code in codes.get(system, ()) for system, code in pairs)


def _listed(value: Any) -> list[Any]:
    """What should be an array, if it is one."""
    return value if isinstance(value, list) else []


def _concepts(parent: Json) -> Iterator[str]:
    for concept in parent.get("concept") or ():
        yield str(concept.get("code"))
        yield from _concepts(concept)


def _displays(parent: Json) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Each code with its display and designations."""
    for concept in parent.get("concept") or ():
        named = [concept.get("display"), *(d.get("value") for d in concept.get("designation") or ())]
        yield str(concept.get("code")), tuple(name for name in named if isinstance(name, str))
        yield from _displays(concept)


def load_packages(paths: Iterable[Path]) -> Packages:
    """The definitions of packages, later ones over earlier ones. Raises PackageError."""
    packages = Packages()
    for path in paths:
        count = 0
        for name, data in _files(path):
            try:
                resource = from_xml(data) if name.endswith(".xml") else loads(data)
            except (FhirJsonError, FhirXmlError) as error:
                raise PackageError(f"{path}: {name} cannot be read: {error}") from None
            if isinstance(resource, Mapping):
                packages.add(resource)
                count += "resourceType" in resource
        if not count:
            raise PackageError(
                f"{path} holds no FHIR resources; an npm-style .tgz or a folder of JSON or XML files is wanted"
            )
    return packages


def _files(path: Path) -> Iterator[tuple[str, bytes]]:
    """Name and content of the files of a package: all that are JSON, and of a folder the definitions that are XML."""
    try:
        if path.is_dir():
            root = path / "package" if (path / "package").is_dir() else path
            for file in sorted([*root.glob("*.json"), *root.glob("*.xml")]):
                data = file.read_bytes()
                if file.suffix == ".json" or _DEFINITION.search(data[:_HEAD]):
                    yield file.name, data
            return
        with tarfile.open(path, "r:*") as archive:
            for member in archive:
                folder, _, name = member.name.rpartition("/")
                if folder != "package" or not name.endswith(".json") or not member.isfile():
                    continue
                if member.size > _MAX_FILE:
                    raise PackageError(f"{path}: {name} is too large to be a definition")
                file_object = archive.extractfile(member)
                if file_object is not None:
                    yield name, file_object.read()
    except (OSError, tarfile.TarError, EOFError) as error:
        raise PackageError(f"{path} cannot be read as a package: {error}") from None
