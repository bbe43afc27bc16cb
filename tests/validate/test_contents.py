"""What the text of FHIR R4 says of an element's content and no constraint does: one pair a rule.

datatypes.html (Attachment: size in bytes before base64, hash by SHA-1; SampledData: decimals, E, U, L; code: no
white space but single spaces; string and markdown: at most 1024*1024 characters; decimal: exponents in XML too),
element.html (id: no spaces), references.html#contained, narrative.html (images of what is contained),
bundle.html (fullUrl: any absolute URL; a search may tell of itself in an OperationOutcome).
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from sample_resources import Resource, finding, patient

from adapter.fhir.xml import to_xml
from adapter.validate import Validator, read_resources, validate

PNG: Resource = {"contentType": "image/png", "data": "AAAA"}
#: SHA-1 of three zero bytes, by another program (openssl dgst -sha1 -binary | base64)
SHA1 = "KeLc+7FvY7sCVN91haFbtvtekn0="
MOST = 1024 * 1024


def _samples(data: str) -> Resource:
    plain = {key: value for key, value in finding().items() if not key.startswith("value")}
    return {**plain, "valueSampledData": {"origin": {"value": 1}, "period": 10, "dimensions": 1, "data": data}}


def _photo(**more: Any) -> Resource:
    return {**patient(), "photo": [{**PNG, **more}]}


def _containing(*ids: str) -> Resource:
    contained = [{"resourceType": "Patient", "id": one} for one in ids]
    focus = [{"reference": f"#{one}"} for one in dict.fromkeys(ids)]
    return {**finding(), "contained": contained, "focus": focus}


def _shown(source: str) -> Resource:
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><img src="{source}" alt="a hip"/></div>'
    image = {"resourceType": "Binary", "id": "hip", "contentType": "image/png", "data": "AAAA"}
    return {**finding(), "text": {"status": "generated", "div": div}, "contained": [image]}


def _preformatted(attribute: str) -> Resource:
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><pre {attribute}>a  b</pre></div>'
    return {**finding(), "text": {"status": "generated", "div": div}}


def _collection(url: str) -> Resource:
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"fullUrl": url, "resource": patient()}]}


def _told_of_a_search(**search: Any) -> Resource:
    told = {"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "invalid"}]}
    entry = {"fullUrl": "http://example.org/about/search", "resource": told, **search}
    return {"resourceType": "Bundle", "type": "searchset", "total": 0, "entry": [entry]}


def _coded(code: str) -> Resource:
    return {**patient(), "communication": [{"language": {"coding": [{"system": "http://e.org/x", "code": code}]}}]}


PAIRS: list[tuple[Resource, Resource, str]] = [
    (_photo(size=3), _photo(size=4), "attachment-size"),
    (_photo(hash=SHA1), _photo(hash="AAAA"), "attachment-hash"),
    (_samples("1 -2.5 E U L 1e3"), _samples("1 -2.5 x"), "sampled-data"),
    (_containing("a", "b"), _containing("a", "a"), "contained-id"),
    (_shown("#hip"), _shown("#knee"), "dom-3"),
    ({**patient(), "name": [{"id": "/a==", "text": "x"}]}, {**patient(), "name": [{"id": "a b", "text": "x"}]},
     "element-id"),
    (_preformatted('xml:space="preserve"'), _preformatted('onclick="a"'), "txt-1"),
    (_coded("a b"), _coded("a\tb"), "value-format"),
    (_coded("a b"), _coded("a\u2003b"), "value-format"),
    ({**patient(), "name": [{"text": "x" * MOST}]}, {**patient(), "name": [{"text": "x" * (MOST + 1)}]},
     "value-format"),
    (_collection("resource:0"), _collection("resource"), "full-url-form"),
    (_collection("ftp://example.org/a"), _collection("ftp:"), "full-url-form"),
    (_told_of_a_search(), _told_of_a_search(search={"mode": "match"}), "search-result-id"),
]  # fmt: skip


@pytest.mark.parametrize(("kept", "broken", "rule"), PAIRS)
def test_a_pair_a_rule(kept: Resource, broken: Resource, rule: str) -> None:
    assert validate(kept).errors == []
    assert [problem.rule for problem in validate(broken).errors] == [rule]


def test_a_decimal_may_have_an_exponent_in_xml_too() -> None:
    """datatypes.html#decimal: in XML the union of xs:decimal and xs:double."""
    data = to_xml({**patient(), "extension": [{"url": "http://e.org/x", "valueDecimal": Decimal("2.5")}]})
    for written, errors in (("1.00E-245", []), ("-1e3", []), ("1e", ["unreadable-xml"]), ("INF", ["unreadable-xml"])):
        [loaded] = read_resources(data.replace(b'"2.5"', f'"{written}"'.encode()))
        assert [problem.rule for problem in Validator().check(loaded).errors][:1] == errors
