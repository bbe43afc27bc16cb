"""Hostile and random input: every one ends in problems in words, none in an exception, a hang or without bound."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawn import drawn

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "validate")]

from sample_resources import family, finding, patient, vital  # noqa: E402
from target import run  # noqa: E402

from adapter.fhir.json import dumps  # noqa: E402
from adapter.fhir.xml import to_xml  # noqa: E402
from adapter.problems import Severity  # noqa: E402

FHIR = 'xmlns="http://hl7.org/fhir"'
DOCUMENTS = [dumps(family()), dumps(vital(), pretty=True), to_xml(family()), to_xml(patient(), pretty=True),
             dumps(finding()) + b"\n" + dumps(vital()) + b"\n"]  # fmt: skip

PIECES = [b'"', b"{", b"}", b"[", b"]", b",", b":", b"null"]

LAUGHS = (
    "<?xml version='1.0'?><!DOCTYPE x [<!ENTITY a0 'ha'>"
    + "".join(f"<!ENTITY a{n} '{f'&a{n - 1};' * 10}'>" for n in range(1, 10))
    + f"]><Patient {FHIR}><language value='&a9;'/></Patient>"
)
HOSTILE = {
    "billion laughs": (LAUGHS.encode(), "unreadable-xml"),
    "external entity": (
        f'<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]><Patient {FHIR}><language value="&e;"/></Patient>'
        .encode(), "unreadable-xml"),
    "document type": (f'<!DOCTYPE html><Patient {FHIR}/>'.encode(), "unreadable-xml"),
    "deep XML": (b"<a>" * 100_000, "unreadable-xml"),
    "deep FHIR XML": (
        f'<Patient {FHIR}>'.encode() + b'<extension url="x">' * 5_000 + b"</extension>" * 5_000 + b"</Patient>",
        "unreadable-xml"),
    "deep arrays": (b"[" * 200_000, "unreadable-json"),
    "deep objects": (b'{"a":' * 100_000, "unreadable-json"),
    "deep extensions": (  # how deep JSON may be nested differs between versions of Python
        b'{"resourceType":"Patient"' + b',"extension":[{"url":"http://example.org/x"' * 600 + b"}]" * 600 + b"}", ""),
    "exponent": (b'{"resourceType":"Patient","multipleBirthInteger":1e999999999}', "unreadable-json"),
    "huge integer": (b'{"resourceType":"Patient","multipleBirthInteger":' + b"9" * 100_000 + b"}", "unreadable-json"),
    "huge decimal": (
        b'{"resourceType":"Patient","multipleBirthInteger":0.' + b"9" * 100_000 + b"}", "unreadable-json"),
    "not a number": (b'{"resourceType":"Patient","multipleBirthInteger":NaN}', "unreadable-json"),
    "half a surrogate": (b'{"resourceType":"Patient","language":"\\ud800"}', "unreadable-json"),
    "UTF-16": ('{"resourceType":"Patient"}'.encode("utf-16"), "not-utf-8"),
    "a key a thousand times": (b'{' + b'"a":1,' * 1000 + b'"a":1}', "duplicate-key"),
    "ten thousand unknown elements": (
        b'{"resourceType":"Patient",' + b",".join(b'"x%d":1' % n for n in range(10_000)) + b"}", "unknown-element"),
    "a code of a megabyte": (b'{"resourceType":"Patient","language":"' + b"a " * 500_000 + b'"}', "value-format"),
    "a date of a megabyte": (b'{"resourceType":"Patient","birthDate":"' + b"1" * 1_000_000 + b'"}', "value-format"),
    "base64 of a megabyte": (
        b'{"resourceType":"Patient","photo":[{"data":"' + b"AAAA" * 250_000 + b'!"}]}', "value-format"),
    "a reference of a megabyte": (
        b'{"resourceType":"Patient","link":[{"type":"refer","other":{"reference":"http:/'
        + b"/A" * 500_000 + b'"}}]}',
        ""),
    "a unit of a megabyte": (
        b'{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":1,"system":'
        b'"http://unitsofmeasure.org","code":"' + b"(" * 900 + b"m" + b"." * 500_000 + b'"}}', "ucum-grammar"),
    "a thousand parentheses": (
        b'{"resourceType":"Observation","status":"final","code":{"text":"x"},"valueQuantity":{"value":1,"system":'
        b'"http://unitsofmeasure.org","code":"' + b"(" * 5_000 + b"m" + b")" * 5_000 + b'"}}', "ucum-grammar"),
    "nested narrative": (
        b'{"resourceType":"Patient","text":{"status":"generated","div":"<div xmlns=\\"http://www.w3.org/1999/xhtml\\">'
        + b"<p>" * 5_000 + b'"}}', "txt-1"),
    "entities in a narrative": (
        b'{"resourceType":"Patient","text":{"status":"generated","div":"<!DOCTYPE x [<!ENTITY a \'b\'>]>'
        b'<div xmlns=\\"http://www.w3.org/1999/xhtml\\">&a;</div>"}}', "txt-1"),
}  # fmt: skip


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_input_is_refused_in_words(name: str) -> None:
    data, rule = HOSTILE[name]
    problems = run(data)
    assert problems or name == "a reference of a megabyte"
    assert rule in {problem.rule for problem in problems} or not rule
    assert all(problem.what for problem in problems)
    assert not any("passwd" in str(problem) or "root:" in str(problem) for problem in problems)


@drawn(250)
@given(st.sampled_from(DOCUMENTS), st.data())
def test_bytes_changed_anywhere(document: bytes, data: st.DataObject) -> None:
    changed = bytearray(document)
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(changed) - 1))
        piece = data.draw(st.binary(max_size=3) | st.sampled_from(PIECES))
        changed[at : at + data.draw(st.integers(0, 40))] = piece
        if not changed:
            break
    run(bytes(changed))


_NAMES = """resourceType Patient Observation Bundle entry resource status code coding system value valueQuantity
subject reference contained component extension url text div meta profile link identifier start end period final #a
urn:uuid:x http://loinc.org http://unitsofmeasure.org kg 2024-05-01"""
WORDS = _NAMES.split()
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.decimals(allow_nan=False, allow_infinity=False, places=2)
    | st.sampled_from(WORDS),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(WORDS), inner, max_size=5),
    max_leaves=25,
)


@drawn(250)
@given(st.sampled_from(["Patient", "Observation", "Bundle", "Questionnaire", "StructureDefinition", "Parameters"]),
       st.dictionaries(st.sampled_from(WORDS), JSON, max_size=6))  # fmt: skip
def test_any_json_under_a_resource_type(name: str, content: dict[str, Any]) -> None:
    run(json.dumps({**content, "resourceType": name}, default=float).encode())


TAGS = [b"<Patient ", FHIR.encode(), b">", b"</Patient>", b"<name>", b"</name>", b"<id value='x'/>", b"<!--", b"-->",
        b"<?x ?>", b"&lt;", b"<![CDATA[", b"]]>", b"<text>", b"\x00"]  # fmt: skip


@drawn(150)
@given(st.lists(st.sampled_from(TAGS), max_size=12))
def test_any_pieces_of_xml(pieces: list[bytes]) -> None:
    assert all(p.severity in Severity for p in run(b"<Patient " + FHIR.encode() + b">" + b"".join(pieces)))
