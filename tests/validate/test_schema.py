"""The schemas made from the table: run over the corpus of ``tests/reference``, whose cases the engine of the standard
has judged, and over the examples. FHIR R4, json.html and xml.html."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from lxml import etree
from sample_resources import Resource, blood_pressure, changed, document, family, finding, patient, vital

from adapter.fhir.definitions import resource_types
from adapter.fhir.json import loads
from adapter.fhir.xml import FhirXmlError, to_xml
from adapter.problems import Layer, Severity
from adapter.validate import Validator, read_resources, validate
from adapter.validate.schema import check_xml, json_schema, xsd

CORPUS = Path(__file__).resolve().parents[1] / "reference" / "corpus.ndjson"
VALID = [finding(), vital(), blood_pressure(), patient(), family(), document()]


def by_schema(resource: Resource) -> list[tuple[str, str]]:
    return [(p.rule, p.where) for p in validate(resource, layers=[Layer.SCHEMA])]


@pytest.mark.parametrize("resource", VALID, ids=lambda r: r["resourceType"])
def test_valid_ones_pass(resource: Resource) -> None:
    assert by_schema(resource) == []
    assert list(check_xml(to_xml(resource))) == []


BROKEN: list[tuple[Resource, str, Any, str]] = [
    (finding(), "status", ..., "Observation"),
    (finding(), "status", "done", "Observation.status"),
    (finding(), "colour", 1, "Observation"),
    (finding(), "code", [], "Observation.code"),
    (patient(), "name", {"text": "x"}, "Patient.name"),
    (patient(), "name", [], "Patient.name"),
    (patient(), "birthDate", "1.5.2024", "Patient.birthDate"),
    (family(), "entry.1.resource.valueQuantity.value", "3.10", "Bundle.entry[1].resource.valueQuantity.value"),
    (family(), "entry.1.resource.valueQuantity.colour", "x", "Bundle.entry[1].resource.valueQuantity"),
]


@pytest.mark.parametrize(("resource", "path", "value", "where"), BROKEN)
def test_broken_ones_are_found_alone_and_told_once(resource: Resource, path: str, value: Any, where: str) -> None:
    broken = changed(resource, path, value)
    assert ("json-schema", where) in by_schema(broken)
    everything = validate(broken)
    assert {p.layer for p in everything.errors if p.layer in (Layer.STRUCTURE, Layer.SCHEMA)} == {Layer.STRUCTURE}


def test_no_value_of_the_data_is_in_a_message() -> None:
    secret = "Baby Miller"
    for problem in validate(changed(patient(), "gender", secret), layers=[Layer.SCHEMA]):
        assert secret not in str(problem)
    data = to_xml(patient()).replace(b'value="female"', f'value="{secret}"'.encode())
    found = list(check_xml(data))
    assert found
    assert not any(secret in str(problem) for problem in found)


def test_schemas_and_structure_agree_on_the_corpus() -> None:
    """No error of a schema where structure has none; and schemas miss only what they leave to it."""
    left: Counter[str] = Counter()
    agreed = 0
    for line in CORPUS.read_bytes().splitlines():
        case = loads(line)
        structure = validate(case["resource"], layers=[Layer.STRUCTURE]).errors
        schema = by_schema(case["resource"])
        if not structure:
            assert schema == [], case["name"]
            assert _xml_errors(case["resource"]) == [], case["name"]
        elif schema:
            agreed += 1
        else:
            left[structure[0].rule] += 1
    assert agreed > 130
    assert set(left) == {
        *("value-format", "reference-type", "reference-form", "unknown-resource-type", "choice-twice"),
        *("null", "sibling-length", "ele-1"),
    }


def _xml_errors(resource: Resource) -> list[str]:
    try:
        return [problem.what for problem in check_xml(to_xml(resource))]
    except FhirXmlError:
        return []  # a narrative that is no XHTML cannot be written


def test_the_xsd_keeps_the_standards_order(tmp_path: Path) -> None:
    text = to_xml(patient()).decode()
    gender, birth = text.index("<gender"), text.index("<birthDate")
    swapped = text[:gender] + text[birth : text.index("</birthDate>") + 12] + text[gender:birth]
    swapped += text[text.index("</birthDate>") + 12 :]
    assert [p.rule for p in check_xml(swapped.encode())][:1] == ["xml-schema"]
    path = tmp_path / "x.xml"
    path.write_bytes(to_xml(patient(), pretty=True))
    [loaded] = read_resources(path)
    assert Validator().check(loaded) == []


def test_all_faults_of_an_xml_file_are_told_though_reading_stops_at_the_first() -> None:
    data = to_xml(patient(), pretty=True).replace(b'value="female"', b'value="femal"')
    data = data.replace(b"<birthDate", b'<colour value="red"/>\n  <birthDate')
    [loaded] = read_resources(data)
    found = Validator().check(loaded)
    assert [p.rule for p in found] == ["unreadable-xml", "xml-schema"]
    lines = data.decode().splitlines()
    assert "colour" in lines[(found[0].line or 0) - 1]
    assert "femal" in lines[(found[1].line or 0) - 1]


def test_the_schemas_are_schemas_of_every_type() -> None:
    assert jsonschema_rs.meta.is_valid(json_schema(resource_types()))
    schema = etree.XMLSchema(etree.fromstring(xsd().encode()))
    roots = etree.fromstring(xsd().encode()).findall("{http://www.w3.org/2001/XMLSchema}element")
    assert {root.get("name") for root in roots} == resource_types()
    assert not schema.validate(etree.fromstring(b'<Newborn xmlns="http://hl7.org/fhir"/>'))


def test_errors_of_a_schema_are_errors() -> None:
    assert {p.severity for p in validate({**finding(), "status": 1}, layers=[Layer.SCHEMA])} == {Severity.ERROR}
