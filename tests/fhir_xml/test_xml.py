from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class
from fhir_strategies import resources
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from adapter.fhir.definitions import resource_types
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import FhirXmlError, from_xml, to_xml
from drawn import drawn
from tests.fhir_xml.official_package import files_of

NS = 'xmlns="http://hl7.org/fhir"'

# invented; the shapes are those of R4 xml.html and json.html
WEIGHT_JSON = """{
  "resourceType": "Observation",
  "id": "weight-1",
  "meta": {"profile": ["http://hl7.org/fhir/StructureDefinition/bodyweight"]},
  "text": {"status": "generated",
    "div": "<div xmlns=\\"http://www.w3.org/1999/xhtml\\">3.10 kg &amp; well<br/></div>"},
  "contained": [{"resourceType": "Patient", "id": "p", "birthDate": "2024-05-01", "_birthDate": {
    "extension": [{"url": "http://hl7.org/fhir/StructureDefinition/patient-birthTime",
      "valueDateTime": "2024-05-01T06:10:00+02:00"}]}}],
  "status": "final",
  "_status": {"id": "s1"},
  "code": {"coding": [{"system": "http://loinc.org", "code": "29463-7"}], "text": "a\\nb\\tc \\"d\\" <e> &"},
  "subject": {"reference": "#p"},
  "effectiveDateTime": "2024-05-01T07:00:00+02:00",
  "valueQuantity": {"id": "q", "value": 3.10, "unit": "kg", "system": "http://unitsofmeasure.org", "code": "kg"},
  "note": [{"text": "one"}, {"text": "two"}]
}"""
WEIGHT_XML = """<?xml version="1.0" encoding="UTF-8"?>
<Observation xmlns="http://hl7.org/fhir">
  <id value="weight-1"/>
  <meta>
    <profile value="http://hl7.org/fhir/StructureDefinition/bodyweight"/>
  </meta>
  <text>
    <status value="generated"/>
    <div xmlns="http://www.w3.org/1999/xhtml">3.10 kg &amp; well<br/></div>
  </text>
  <contained>
    <Patient>
      <id value="p"/>
      <birthDate value="2024-05-01">
        <extension url="http://hl7.org/fhir/StructureDefinition/patient-birthTime">
          <valueDateTime value="2024-05-01T06:10:00+02:00"/>
        </extension>
      </birthDate>
    </Patient>
  </contained>
  <status id="s1" value="final"/>
  <code>
    <coding>
      <system value="http://loinc.org"/>
      <code value="29463-7"/>
    </coding>
    <text value="a&#10;b&#9;c &quot;d&quot; &lt;e&gt; &amp;"/>
  </code>
  <subject>
    <reference value="#p"/>
  </subject>
  <effectiveDateTime value="2024-05-01T07:00:00+02:00"/>
  <valueQuantity id="q">
    <value value="3.10"/>
    <unit value="kg"/>
    <system value="http://unitsofmeasure.org"/>
    <code value="kg"/>
  </valueQuantity>
  <note>
    <text value="one"/>
  </note>
  <note>
    <text value="two"/>
  </note>
</Observation>
"""


def test_the_written_form() -> None:
    assert to_xml(loads(WEIGHT_JSON), pretty=True).decode() == WEIGHT_XML


def test_the_form_read() -> None:
    assert dumps(from_xml(WEIGHT_XML.encode())) == dumps(loads(WEIGHT_JSON))


@drawn(150)
@given(st.sampled_from(["Observation", "Patient", "Bundle", "Parameters", "Questionnaire"]).flatmap(resources))
def test_json_to_xml_and_back_is_the_same_to_the_digit(resource: dict[str, Any]) -> None:
    # dumps compares digits and key order as well; equality of Decimals would not
    assert dumps(from_xml(to_xml(resource))) == dumps(resource)
    assert dumps(from_xml(to_xml(resource, pretty=True))) == dumps(resource)


def test_the_official_package_goes_through_xml_unchanged(fhir_package: Path) -> None:
    """Published resources as examples: every tenth of those whose type the table holds."""
    names = 0
    for name, content in list(files_of(fhir_package).items())[::10]:
        if name.partition("-")[0] in resource_types():
            resource = loads(content)
            assert from_xml(to_xml(resource)) == resource, name
            names += 1
    assert names > 200


@pytest.mark.parametrize("type_name", ["CapabilityStatement", "ConceptMap", "ValueSet"])
def test_fhir_resources_reads_and_writes_the_same_xml(fhir_package: Path, type_name: str) -> None:
    """fhir.resources (R4B models; these types are alike in R4) is the other reader and writer."""
    model = get_fhir_model_class(type_name)
    of_type = [one for one in files_of(fhir_package).items() if one[0].startswith(type_name + "-")]
    for name, content in [one for one in of_type if len(one[1]) < 200_000][:5]:
        ours = json.loads(content)
        ours.pop("text", None)  # the other writer re-escapes XHTML
        theirs = model.model_validate(ours)
        assert json.loads(model.model_validate_xml(to_xml(ours)).model_dump_json()) == json.loads(
            theirs.model_dump_json()
        ), name
        assert json.loads(dumps(from_xml(theirs.model_dump_xml()))) == json.loads(theirs.model_dump_json()), name


def test_primitive_extensions_in_arrays_keep_their_places() -> None:
    patient = loads(
        '{"resourceType": "Patient", "name": [{"given": ["Anna", null, "Eva"], "_given": [null, '
        '{"extension": [{"url": "http://example.org/a", "valueBoolean": true}]}, {"id": "g3"}]}]}'
    )
    xml = to_xml(patient)
    assert xml.count(b"<given") == 3
    assert dumps(from_xml(xml)) == dumps(patient)


def test_values_are_typed_by_the_standard() -> None:
    xml = f"""<Patient {NS}><active value="true"/><birthDate value="2024"/>
      <multipleBirthInteger value="2"/></Patient>"""
    assert from_xml(xml.encode()) == {
        "resourceType": "Patient", "active": True, "birthDate": "2024", "multipleBirthInteger": 2
    }  # fmt: skip
    range_ = f"<Observation {NS}><valueRange><low><value value='2'/></low></valueRange></Observation>"
    low = from_xml(range_)["valueRange"]["low"]["value"]
    assert isinstance(low, Decimal)
    assert str(low) == "2"


def test_white_space_in_attributes_survives_a_normalising_parser() -> None:
    """XML 1.0 section 3.3.3: a literal line end in an attribute would be read as a space."""
    text = " a\tb\nc\rd\r\n "
    xml = to_xml({"resourceType": "Patient", "name": [{"text": text}]})
    assert b"\n" not in xml.split(b"\n", 1)[1]
    assert etree.fromstring(xml).find(".//{*}text").get("value") == text


def test_white_space_of_a_narrative_is_left_alone_when_pretty() -> None:
    div = '<div xmlns="http://www.w3.org/1999/xhtml"><p>a <b>b</b>  <i>c</i></p><pre>x\n y</pre></div>'
    patient = {"resourceType": "Patient", "text": {"status": "generated", "div": div}}
    assert from_xml(to_xml(patient, pretty=True)) == patient


def test_a_bundle_of_no_declared_namespaces_in_the_narrative() -> None:
    xml = f"""<Patient {NS} xmlns:h="http://www.w3.org/1999/xhtml" xmlns:o="urn:other"><text>
      <status value="empty"/><h:div>x</h:div></text></Patient>"""
    div = from_xml(xml)["text"]["div"]
    assert "urn:other" not in div
    assert etree.fromstring(div).tag == "{http://www.w3.org/1999/xhtml}div"


@pytest.mark.parametrize(
    ("content", "message", "where", "line"),
    [
        ("<status value='final'/>\n<colour value='x'/>", "no element <colour>", "Observation.colour", 2),
        ("\n\n<code><coding><colour/></coding></code>", "no element", "Observation.code.coding[0].colour", 3),
        (
            "<code/><status value='final'/>",
            "<status> stands after <code>",
            "Observation.status",
            1,
        ),
        ("<id value='a'/><note><text value='a'/></note><code/>", "<code> stands after <note>", "Observation.code", 1),
        ("<status value='final'/><status value='final'/>", "only once", "Observation.status", 1),
        ("<status/>", "neither a value", "Observation.status", 1),
        ("<status value='final' colour='x'/>", "no attribute 'colour'", "Observation.status", 1),
        ("<status>final</status>", "text between", "Observation.status", 1),
        ("<valueBoolean value='yes'/>", "not of type boolean", "Observation.valueBoolean", 1),
        ("<valueInteger value='1.5'/>", "not of type integer", "Observation.valueInteger", 1),
        (
            "<valueQuantity><value value='3,1'/></valueQuantity>",
            "not of type decimal",
            "Observation.valueQuantity.value",
            1,
        ),
        (
            "<valueQuantity><value value='NaN'/></valueQuantity>",
            "not of type decimal",
            "Observation.valueQuantity.value",
            1,
        ),
        ("<status xmlns='' value='final'/>", "namespace", "Observation.status", 1),
        ("<text><status value='empty'/><div/></text>", "namespace", "Observation.text.div", 1),
        ("<contained/>", "exactly one resource", "Observation.contained[0]", 1),
        ("<contained><Colour/></contained>", "not a resource type", "Observation.contained[0]", 1),
        ("<id value='a'><extension url='u'/></id>", "nothing but its value", "Observation.id", 1),
    ],
)
def test_xml_that_is_not_r4_is_refused_with_line_and_place(content: str, message: str, where: str, line: int) -> None:
    with pytest.raises(FhirXmlError, match=message) as caught:
        from_xml(f"<Observation {NS}>{content}</Observation>")
    assert (caught.value.where, caught.value.line) == (where, line)


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"<Observation", "not well-formed"),
        (b"", "not well-formed"),
        (b"\xff\xfe<\x00", "UTF-8"),
        (b'<?xml version="1.0" encoding="ISO-8859-1"?><Patient/>', "ISO-8859-1"),
        (b"<Patient/>", "namespace"),
        (b'<!DOCTYPE Patient [<!ENTITY a "b">]><Patient xmlns="http://hl7.org/fhir"/>', "document type"),
        (b'<!DOCTYPE Patient SYSTEM "file:///etc/passwd"><Patient xmlns="http://hl7.org/fhir"/>', "document type"),
        (
            f"<Patient {NS}><text><status value='x'/><div xmlns='http://www.w3.org/1999/xhtml'>&nbsp;</div></text></Patient>".encode(),
            "nbsp",
        ),
        (f"<Patient {NS}>{'<contained><Patient>' * 400}".encode(), "not well-formed"),
    ],
)
def test_unsafe_or_broken_xml_is_refused(data: bytes, message: str) -> None:
    with pytest.raises(FhirXmlError, match=message):
        from_xml(data)


@pytest.mark.parametrize(
    ("change", "message", "where"),
    [
        ({"colour": 1}, "no element 'colour'", "Observation"),
        ({"_code": {"id": "x"}}, "no element '_code'", "Observation"),
        ({"status": None}, "null", "Observation.status"),
        ({"status": True}, "JSON string", "Observation.status"),
        ({"valueBoolean": "true"}, "JSON boolean", "Observation.valueBoolean"),
        ({"valueInteger": True}, "JSON number", "Observation.valueInteger"),
        ({"valueQuantity": {"value": 3.1}}, "JSON number", "Observation.valueQuantity.value"),
        ({"valueString": "a\x00b"}, "character", "Observation.valueString"),
        ({"valueString": "\ufffe"}, "character", "Observation.valueString"),
        ({"note": {"text": "x"}}, "array", "Observation.note"),
        ({"code": "x"}, "object", "Observation.code"),
        ({"text": {"div": "<div>x"}}, "XHTML", "Observation.text.div"),
        ({"text": {"div": "<p xmlns='http://www.w3.org/1999/xhtml'/>"}}, "one <div", "Observation.text.div"),
        ({"contained": [{"resourceType": "Colour"}]}, "'Colour'", "Observation.contained[0]"),
    ],
)
def test_what_xml_cannot_hold_is_refused(change: dict[str, Any], message: str, where: str) -> None:
    resource = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, **change}
    with pytest.raises(FhirXmlError, match=message) as caught:
        to_xml(resource)
    assert caught.value.where == where


@drawn(200)
@given(st.binary(max_size=60) | st.text("<>/&;='\" !?[]DOCTYPEPatientvalueidns", max_size=60).map(str.encode))
def test_arbitrary_bytes_raise_nothing_else(data: bytes) -> None:
    with pytest.raises(FhirXmlError):
        from_xml(data)
