"""A JSON Schema (draft 2020-12) of R4 resources, from the element table.

FHIR R4, JSON Representation (json.html). The official schema is weaker: it does not ask for elements that must be
there. What a schema says slowly (one type only of a choice) is left to the structure layer.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from adapter.fhir.definitions import ElementDefinition, Property, definition, primitive, value_set

Schema = dict[str, Any]

_INTEGERS = {"integer": -(2**31), "unsignedInt": 0, "positiveInt": 1}
#: left out: base64's expression takes exponential time; text may have nearly every character; numbers have no text
_WITHOUT_PATTERN = ("base64Binary", "string", "markdown", "xhtml")
_SPACE = r" \t\n\r\f\v"


def json_schema(resource_types: Iterable[str]) -> Schema:
    """The schema of a resource of any of the types; resources of other types may stand where any may."""
    names = sorted(resource_types)
    definitions: dict[str, Schema] = {}
    waiting = ["Element", *names]  # Element: what the sibling of a primitive holds
    while waiting:
        name = waiting.pop()
        if name not in definitions:
            definitions[name] = _type(name)
            used = {item.type for item in definition(name).properties.values() if not item.is_primitive}
            waiting += sorted(used - {"Resource"})
    known = [{"if": _is(name), "then": {"$ref": f"#/$defs/{name}"}} for name in names]
    definitions["Resource"] = {"type": "object", "required": ["resourceType"], "allOf": known}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$ref": "#/$defs/Resource",
        "$defs": definitions,
    }


def _is(name: str) -> Schema:
    return {"properties": {"resourceType": {"const": name}}, "required": ["resourceType"]}


def _type(name: str) -> Schema:
    type_ = definition(name)
    properties: dict[str, Schema] = {}
    names: dict[str, list[str]] = {}
    for item in type_.properties.values():
        names.setdefault(item.element.name, []).append(item.name)
        properties[item.name] = _property(item)
        if item.has_sibling:
            names[item.element.name].append(f"_{item.name}")
            element: Schema = {"$ref": "#/$defs/Element"}
            if item.is_array:
                element = {"type": "array", "minItems": 1, "items": {"anyOf": [element, {"type": "null"}]}}
            properties[f"_{item.name}"] = element
    if type_.kind == "resource":
        properties["resourceType"] = {"const": name}
    schema: Schema = {"type": "object", "properties": properties, "additionalProperties": False, "minProperties": 1}
    needed = [_needed(names[element.name]) for element in type_.elements if element.min]
    if needed:
        schema["allOf"] = needed
    return schema


def _needed(names: list[str]) -> Schema:
    if len(names) == 1:
        return {"required": names}
    return {"anyOf": [{"required": [name]} for name in names]}


def _property(item: Property) -> Schema:
    one: Schema = _primitive(item.type, item.element) if item.is_primitive else {"$ref": f"#/$defs/{item.type}"}
    if not item.is_array:
        return one
    if item.has_sibling:
        one = {"anyOf": [one, {"type": "null"}]}
    schema: Schema = {"type": "array", "minItems": 1, "items": one}
    if item.element.max is not None:
        schema["maxItems"] = item.element.max
    return schema


def _primitive(name: str, element: ElementDefinition) -> Schema:
    codes = value_set(element.binding)
    if codes is not None:
        return {"enum": sorted(codes.codes)}
    if name in _INTEGERS:
        return {"type": "integer", "minimum": _INTEGERS[name], "maximum": 2**31 - 1}
    kind = primitive(name).json
    schema: Schema = {"type": kind}
    if kind == "string":
        schema["minLength"] = 1
        regex = primitive(name).regex
        if regex and name not in _WITHOUT_PATTERN:
            schema["pattern"] = f"^(?:{_ascii(regex)})$"
    return schema


def _ascii(regex: str) -> str:
    """The expression with the white space of XML Schema, where libraries take Unicode's."""
    regex = regex.replace("[^\\s]", f"[^{_SPACE}]").replace("\\S", f"[^{_SPACE}]")
    return regex.replace("\\s", f"[{_SPACE}]")
