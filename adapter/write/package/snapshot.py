"""Snapshots of profiles, from R4's element table and a differential (FHIR R4 Profiling, 5.1.0.15).

The table has facts and no prose, so that the definition of an element that a profile leaves alone says only where R4
defines it. All that decides whether a resource is valid is there: cardinalities, types, targets, required and
extensible bindings, modifiers, constraints.
"""

from __future__ import annotations

from copy import deepcopy

from adapter.fhir.definitions import ElementDefinition, constraints, definition, primitive_names
from adapter.fhir.json import Json

STRUCTURE = "http://hl7.org/fhir/StructureDefinition/"
_SYSTEM_STRING = "http://hl7.org/fhirpath/System.String"
_FHIR_TYPE = f"{STRUCTURE}structuredefinition-fhir-type"
_DOMAIN = ("Resource", "DomainResource")


def snapshot(type_name: str, *differentials: list[Json]) -> list[Json]:
    """The elements of a type with differentials laid over it, the base's first."""
    elements = _of_type(type_name)
    for differential in differentials:
        for change in differential:
            _merge(elements, change)
    return elements


def _of_type(name: str) -> list[Json]:
    kind = definition(name).kind
    bases = (*_DOMAIN, name) if kind == "resource" else ("Element", name)
    root: Json = {
        "id": name,
        "path": name,
        "definition": _words(name),
        "min": 0,
        "max": "*",
        "base": {"path": name, "min": 0, "max": "*"},
        "constraint": list({c["key"]: c for base in dict.fromkeys(bases) for c in _constraints(base)}.values()),
    }
    if not root["constraint"]:
        del root["constraint"]
    return [root, *_children(name, name, name)]


def _words(path: str) -> str:
    return f"{path} as HL7 FHIR R4 (4.0.1) defines it."


def _constraints(path: str) -> list[Json]:
    return [
        {"key": c.key, "severity": c.severity, "human": f"{c.key} of R4", "expression": c.expression}
        for c in constraints(path)
    ]


def _children(type_name: str, path: str, identifier: str) -> list[Json]:
    """The elements of a type under a path, and those of its backbone elements."""
    found = []
    for element in definition(type_name).elements:
        one = _element(element, type_name, path, identifier)
        found.append(one)
        backbone = f"{type_name}.{element.name}"
        if element.types == (backbone,):
            found += _children(backbone, one["path"], one["id"])
    return found


def _element(element: ElementDefinition, type_name: str, path: str, identifier: str) -> Json:
    base = f"{type_name}.{element.name}"
    most = "*" if element.max is None else str(element.max)
    own = f"{path}.{element.name}"
    found: Json = {
        "id": f"{identifier}.{element.name}",
        "path": own,
        "definition": _words(base),
        "min": element.min,
        "max": most,
        "base": {"path": _origin(type_name, element.name), "min": element.min, "max": most},
    }
    (first, *others) = element.types
    if "." in first and first != base:
        found["contentReference"] = f"#{first}"
    else:
        found["type"] = [_type(t, element, base, type_name) for t in (first, *others)]
    rules = _constraints(base)
    if element.name != "id" and base != "Extension.url" and first != "Resource":
        rules = [*_constraints("Element"), *rules]
    if first == "Extension":
        rules += _constraints(first)
    if rules:
        found["constraint"] = list({rule["key"]: rule for rule in rules}.values())
    if element.is_modifier:
        found["isModifier"] = True
        found["isModifierReason"] = "R4 says that it changes what the resource means."
    if element.binding or element.extensible:
        strength = "required" if element.binding else "extensible"
        found["binding"] = {"strength": strength, "valueSet": element.binding or element.extensible}
    if element.representation:
        found["representation"] = [element.representation]
    return found


_ORIGINS = {
    "resource": {
        **dict.fromkeys(("id", "meta", "implicitRules", "language"), "Resource"),
        **dict.fromkeys(("text", "contained", "extension", "modifierExtension"), "DomainResource"),
    },
    "element": {"id": "Element", "extension": "Element", "modifierExtension": "BackboneElement"},
}


def _origin(type_name: str, name: str) -> str:
    """The path where R4 defines an element first: of the base that a type has it from."""
    kind = "resource" if definition(type_name).kind == "resource" else "element"
    return f"{_ORIGINS[kind].get(name, type_name)}.{name}"


def _type(name: str, element: ElementDefinition, base: str, holder: str) -> Json:
    if name == f"{holder}.{element.name}":
        return {"code": definition(name).base}
    if element.name == "id" or (base == "Extension.url"):
        kind = "uri" if base == "Extension.url" else "string"
        return {"extension": [{"url": _FHIR_TYPE, "valueUrl": kind}], "code": _SYSTEM_STRING}
    found: Json = {"code": name}
    if element.profiles and name not in primitive_names():
        found["profile"] = [STRUCTURE + profile for profile in element.profiles]
    if name == "Reference" and (element.targets or holder != "Extension"):
        found["targetProfile"] = [STRUCTURE + target for target in element.targets or ("Resource",)]
    return found


def _merge(elements: list[Json], change: Json) -> None:
    """Lay one element of a differential over the snapshot, making the slice or the children that it names."""
    place = _find(elements, change["id"])
    if place is None:
        place = _slice(elements, change) if "sliceName" in change else _opened(elements, change["id"])
    held = elements[place]
    for key, value in change.items():
        if key == "constraint":
            held["constraint"] = [*held.get("constraint", []), *deepcopy(value)]
        elif key == "type":
            held["type"] = deepcopy(value)
        else:
            held[key] = deepcopy(value)
    if "min" not in change and "sliceName" in change:
        held["min"] = 0


def _find(elements: list[Json], identifier: str) -> int | None:
    return next((n for n, element in enumerate(elements) if element["id"] == identifier), None)


def _end(elements: list[Json], place: int) -> int:
    """After the element, all below it and all its slices."""
    identifier = elements[place]["id"]
    end = place + 1
    while end < len(elements) and elements[end]["id"].startswith((f"{identifier}.", f"{identifier}:")):
        end += 1
    return end


def _slice(elements: list[Json], change: Json) -> int:
    whole = change["id"].rpartition(":")[0]
    place = _find(elements, whole)
    if place is None:
        place = _opened(elements, whole)
    end = _end(elements, place)
    one = deepcopy(elements[place])
    for key in ("slicing",):
        one.pop(key, None)
    below = [e for e in elements[place + 1 : end] if e["id"].startswith(f"{whole}.")]
    children = [{**deepcopy(e), "id": change["id"] + e["id"].removeprefix(whole)} for e in below]
    elements[end:end] = [{**one, "id": change["id"]}, *children]
    return end


def _opened(elements: list[Json], identifier: str) -> int:
    """The place of an element inside one of a datatype, whose elements are put in."""
    parent = identifier.rpartition(".")[0]
    place = _find(elements, parent)
    if place is None:
        place = _opened(elements, parent)
    holder = elements[place]
    (only,) = holder["type"]
    inside = "Element" if only["code"] in primitive_names() else only["code"]
    elements[place + 1 : place + 1] = _children(inside, holder["path"], parent)
    found = _find(elements, identifier)
    assert found is not None, f"{identifier} is no element of {only['code']}"
    return found
