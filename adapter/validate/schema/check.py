"""Runs the schemas: jsonschema-rs over JSON, lxml over XML."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping
from functools import cache
from typing import Any

import jsonschema_rs
from lxml import etree

from adapter.problems import Layer, Problem, Severity
from adapter.validate.schema.json_schema import json_schema
from adapter.validate.schema.xsd import xsd

_JSON = "FHIR R4 JSON Representation (json.html)"
_XML = "FHIR R4 XML Representation (xml.html)"
_QUOTED = re.compile(r"'[^']*'|\"[^\"]*\"")


def check_json(resource: Mapping[str, Any], types: Collection[str], found: Collection[Problem]) -> Iterator[Problem]:
    """What the JSON Schema says of a resource with resources of the ``types``; silent where errors were found."""
    if not types or any(problem.severity in (Severity.ERROR, Severity.FATAL) for problem in found):
        return
    validator = _validator(frozenset(types))
    name = str(resource.get("resourceType", ""))
    try:
        errors = () if validator.is_valid(resource) else list(validator.iter_errors(resource))
    except ValueError:
        return  # nested more deeply than the library goes
    for error in errors:
        where = name + "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in error.instance_path)
        rule = str(error.schema_path[-1]) if error.schema_path else "schema"
        what = f"the JSON Schema of R4 objects ({rule})"
        yield Problem(
            Severity.ERROR, Layer.SCHEMA, "json-schema", what, "what the definition of the element asks for",
            where=where, section=_JSON,
        )  # fmt: skip


@cache
def _validator(types: frozenset[str]) -> jsonschema_rs.Draft202012Validator:
    """A validator for resources of these types."""
    return jsonschema_rs.Draft202012Validator(json_schema(types))


def check_xml(data: bytes) -> Iterator[Problem]:
    """What the XSD says of the XML of a resource."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False)
    try:
        root = etree.fromstring(data.lstrip(), parser)
    except etree.XMLSyntaxError:
        return
    schema = _schema()
    if schema.validate(root):
        return
    for error in schema.error_log:  # type: ignore[attr-defined]
        # the values of the data stay out of the message
        what = _QUOTED.sub("…", error.message).replace("{http://hl7.org/fhir}", "")[:200]
        yield Problem(
            Severity.ERROR, Layer.SCHEMA, "xml-schema", f"the XSD of R4 objects: {what}",
            "elements in the standard's order, each of its type", line=error.line, section=_XML,
        )  # fmt: skip


@cache
def _schema() -> etree.XMLSchema:
    return etree.XMLSchema(etree.fromstring(xsd().encode()))
