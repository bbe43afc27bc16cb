"""Interactions on single resources against FHIR R4 http.html (the sections are named at each test)."""

from __future__ import annotations

import gzip
import logging
from typing import Any

import httpx
import pytest
from sandbox_resources import SITE, observation, patient

from adapter.fhir import json as fhir_json
from adapter.fhir import xml as fhir_xml
from adapter.sandbox import BodyLimits, SandboxSettings, Store, create_app

JSON = {"Content-Type": "application/fhir+json"}
XML = {"Content-Type": "application/fhir+xml"}


def send(http: httpx.Client, method: str, url: str, resource: Any, **headers: str) -> httpx.Response:
    return http.request(method, url, content=fhir_json.dumps(resource), headers={**JSON, **headers})


def refused(response: httpx.Response, status: int, code: str | None = None) -> dict[str, Any]:
    """Every refusal is an OperationOutcome with at least one issue (R4 OperationOutcome)."""
    assert response.status_code == status, response.text
    outcome = response.json()
    assert outcome["resourceType"] == "OperationOutcome"
    assert outcome["issue"][0]["severity"] in ("error", "fatal")
    if code:
        assert outcome["issue"][0]["code"] == code
    return outcome


def created(http: httpx.Client, resource: dict[str, Any]) -> str:
    response = send(http, "POST", resource["resourceType"], resource)
    assert response.status_code == 201, response.text
    return str(response.json()["id"])


def test_create_assigns_an_id_and_a_version(http: httpx.Client, base: str) -> None:
    # 3.1.0.8: 201, Location with id and version, ETag; an id in the resource is ignored.
    response = send(http, "POST", "Patient", patient(id="mine", meta={"versionId": "7"}))
    assert response.status_code == 201
    made = response.json()
    assert made["id"] != "mine"
    assert made["meta"]["versionId"] == "1"
    assert response.headers["location"] == f"{base}/Patient/{made['id']}/_history/1"
    assert response.headers["etag"] == 'W/"1"'
    assert "last-modified" in response.headers
    assert http.get(f"Patient/{made['id']}").json() == made


@pytest.mark.parametrize("times", [1, 2])
def test_conditional_create_makes_one(http: httpx.Client, times: int) -> None:
    # 3.1.0.8.1: none: create; one: 200 and nothing done.
    condition = {"If-None-Exist": f"identifier={SITE}|baby-1"}
    statuses = [send(http, "POST", "Patient", patient(), **condition).status_code for _ in range(times)]
    assert statuses == [201, 200][:times]
    assert http.get("Patient").json()["total"] == 1


def test_conditional_create_with_several_matches_is_refused(http: httpx.Client) -> None:
    created(http, patient())
    created(http, patient())
    response = send(http, "POST", "Patient", patient(), **{"If-None-Exist": f"identifier={SITE}|baby-1"})
    refused(response, 412, "multiple-matches")


@pytest.mark.parametrize("criteria", ["_count=1", "identifier=", "family=a", "identifier:of-type=a|b|c"])
def test_criteria_that_choose_nothing_are_refused(http: httpx.Client, criteria: str) -> None:
    # 3.1.0.8.1: criteria not selective enough. An ignored parameter would match every resource.
    created(http, patient("someone else"))
    response = send(http, "POST", "Patient", patient(), **{"If-None-Exist": criteria})
    assert response.status_code in (400, 412)
    assert send(http, "PUT", f"Patient?{criteria}", patient()).status_code in (400, 412)
    assert http.get("Patient").json()["total"] == 1


def test_read_of_what_is_not_there(http: httpx.Client) -> None:
    # 3.1.0.2: 404 for unknown; 3.1.0.7: 410 once deleted.
    refused(http.get("Patient/nobody"), 404, "not-found")
    id_ = created(http, patient())
    assert http.delete(f"Patient/{id_}").status_code == 204
    refused(http.get(f"Patient/{id_}"), 410, "deleted")
    assert http.get("Patient").json()["total"] == 0
    # 3.1.0.7: a delete of what is not there is no error.
    assert http.delete(f"Patient/{id_}").status_code == 204
    assert http.delete("Patient/nobody").status_code == 204


def test_vread_and_history(http: httpx.Client) -> None:
    # 3.1.0.3 and 3.1.0.12: every version stays readable, newest first, a deletion without a resource.
    id_ = created(http, patient())
    send(http, "PUT", f"Patient/{id_}", patient(id=id_, gender="female"))
    http.delete(f"Patient/{id_}")
    assert "gender" not in http.get(f"Patient/{id_}/_history/1").json()
    assert http.get(f"Patient/{id_}/_history/2").json()["gender"] == "female"
    refused(http.get(f"Patient/{id_}/_history/3"), 410)
    refused(http.get(f"Patient/{id_}/_history/4"), 404)
    refused(http.get(f"Patient/{id_}/_history/first"), 404)
    history = http.get(f"Patient/{id_}/_history").json()
    assert (history["type"], history["total"]) == ("history", 3)
    assert [e["request"]["method"] for e in history["entry"]] == ["DELETE", "PUT", "POST"]
    assert [e["response"]["status"][:3] for e in history["entry"]] == ["204", "200", "201"]
    assert "resource" not in history["entry"][0]
    refused(http.get("Patient/nobody/_history"), 404)


def test_update_makes_a_version_only_when_something_changes(http: httpx.Client) -> None:
    id_ = created(http, patient())
    same = send(http, "PUT", f"Patient/{id_}", patient(id=id_))
    assert (same.status_code, same.headers["etag"]) == (200, 'W/"1"')
    # Another order of the properties, and a version the client made up, say the same.
    turned = dict(reversed(patient(id=id_, meta={"versionId": "9"}).items()))
    assert send(http, "PUT", f"Patient/{id_}", turned).headers["etag"] == 'W/"1"'
    assert http.get(f"Patient/{id_}/_history").json()["total"] == 1
    other = send(http, "PUT", f"Patient/{id_}", patient(id=id_, gender="female"))
    assert (other.status_code, other.headers["etag"]) == (200, 'W/"2"')


def test_update_as_create_and_after_deletion(http: httpx.Client) -> None:
    # 3.1.0.4.1 update as create; 3.1.0.7 a deleted resource comes back by an update.
    assert send(http, "PUT", "Patient/baby", patient(id="baby")).status_code == 201
    http.delete("Patient/baby")
    back = send(http, "PUT", "Patient/baby", patient(id="baby"))
    assert (back.status_code, back.headers["etag"]) == (201, 'W/"3"')
    assert http.get("Patient/baby").status_code == 200


@pytest.mark.parametrize(
    ("url", "resource"),
    [
        ("Patient/baby", patient()),
        ("Patient/baby", patient(id="other")),
        ("Patient/baby_1", patient(id="baby-1")),
        ("Patient/baby", observation(id="baby")),
    ],
    ids=["no id", "another id", "not an id", "another type"],
)
def test_update_needs_the_id_and_type_of_the_url(shared: httpx.Client, url: str, resource: dict[str, Any]) -> None:
    # 3.1.0.4: id in the body and in the URL must agree, else 400.
    refused(send(shared, "PUT", url, resource), 400)


def test_if_match(http: httpx.Client) -> None:
    # 3.1.0.5: 412 when the version is not the one the client has read.
    id_ = created(http, patient())
    changed = patient(id=id_, gender="male")
    assert send(http, "PUT", f"Patient/{id_}", changed, **{"If-Match": 'W/"1"'}).headers["etag"] == 'W/"2"'
    refused(send(http, "PUT", f"Patient/{id_}", patient(id=id_), **{"If-Match": 'W/"1"'}), 412, "conflict")
    refused(send(http, "PUT", "Patient/new", patient(id="new"), **{"If-Match": 'W/"1"'}), 412)
    refused(send(http, "PUT", f"Patient/{id_}", changed, **{"If-Match": "two"}), 400)
    refused(http.delete(f"Patient/{id_}", headers={"If-Match": 'W/"1"'}), 412)
    assert http.get(f"Patient/{id_}").json()["gender"] == "male"


def test_conditional_update(http: httpx.Client) -> None:
    # 3.1.0.4.3: none: create; one: update; several: 412; one, but another id in the resource: 400.
    url = f"Patient?identifier={SITE}|baby-1"
    first = send(http, "PUT", url, patient())
    assert first.status_code == 201
    id_ = first.json()["id"]
    second = send(http, "PUT", url, patient(gender="female"))
    assert (second.status_code, second.json()["id"], second.headers["etag"]) == (200, id_, 'W/"2"')
    assert send(http, "PUT", url, patient(gender="female")).headers["etag"] == 'W/"2"'
    refused(send(http, "PUT", url, patient(id="other")), 400)
    created(http, patient())
    refused(send(http, "PUT", url, patient()), 412, "multiple-matches")


def test_conditional_update_creates_under_the_given_id(http: httpx.Client) -> None:
    # 3.1.0.4.3: no match, id given: update as create; the id of another resource is never taken over.
    url = f"Patient?identifier={SITE}|baby-1"
    assert send(http, "PUT", url, patient(id="baby")).headers["location"].endswith("Patient/baby/_history/1")
    refused(send(http, "PUT", f"Patient?identifier={SITE}|baby-2", patient("baby-2", id="baby")), 409)


@pytest.mark.parametrize(
    ("prefer", "type_"),
    [("return=minimal", None), ("return=representation", "Patient"), ("return=OperationOutcome", "OperationOutcome")],
)
def test_prefer_return(shared: httpx.Client, prefer: str, type_: str | None) -> None:
    # 3.1.0.1, managing return content.
    response = send(shared, "POST", "Patient", patient(), Prefer=prefer)
    assert response.status_code == 201
    assert "location" in response.headers
    assert (response.json()["resourceType"] if response.content else None) == type_


def test_digits_survive(http: httpx.Client) -> None:
    # R4 datatypes, decimal: the precision of a decimal value is significant; 3.10 is not 3.1.
    weight = b'"valueQuantity":{"value":%s,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}'
    start = fhir_json.dumps(observation(id="w"))[:-1] + b","
    for version, digits in enumerate([b"3.10", b"3.1"], start=1):
        response = http.put("Observation/w", content=start + weight % digits + b"}", headers=JSON)
        assert response.headers["etag"] == f'W/"{version}"'
        assert b'"value":' + digits + b"," in http.get("Observation/w").content
    assert b'<value value="3.10"/>' in http.get("Observation/w/_history/1?_format=xml").content


def test_xml_in_and_out(http: httpx.Client) -> None:
    # 3.1.0.1, content types: XML and JSON are the same resource.
    sent = patient(id="baby", gender="female")
    response = http.put("Patient/baby", content=fhir_xml.to_xml(sent), headers=XML)
    assert response.status_code == 201
    read = http.get("Patient/baby", headers={"Accept": "application/fhir+xml"})
    assert read.headers["content-type"].startswith("application/fhir+xml")
    assert fhir_xml.from_xml(read.content) == http.get("Patient/baby").json()
    refusal = http.get("Patient/nobody?_format=xml")
    assert fhir_xml.from_xml(refusal.content)["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize(
    ("url", "accept", "expected"),
    [
        ("metadata", "application/fhir+xml;q=0.5, application/fhir+json", "json"),
        ("metadata", "text/html, application/xml;q=0.9, */*;q=0.8", "xml"),
        ("metadata", "*/*", "json"),
        ("metadata?_format=xml", "application/fhir+json", "xml"),
        ("metadata?_format=application/fhir+xml", "application/fhir+json", "xml"),
        ("metadata", "application/fhir+json; fhirVersion=4.0", "json"),
    ],
)
def test_the_format_asked_for(shared: httpx.Client, url: str, accept: str, expected: str) -> None:
    # 3.1.0.1 (_format overrides Accept) and RFC 9110 12.5.1 (quality).
    response = shared.get(url, headers={"Accept": accept})
    assert response.headers["content-type"].startswith(f"application/fhir+{expected}")


@pytest.mark.parametrize(
    ("url", "accept"),
    [
        ("metadata", "text/turtle"),
        ("metadata?_format=ttl", "*/*"),
        ("metadata", "application/fhir+json; fhirVersion=3.0"),
        ("metadata", "application/fhir+json;q=0"),
    ],
)
def test_a_format_it_does_not_have(shared: httpx.Client, url: str, accept: str) -> None:
    refused(shared.get(url, headers={"Accept": accept}), 406, "not-supported")


@pytest.mark.parametrize(
    "content_type",
    ["text/csv", "", "application/fhir+json; charset=latin-1", "application/fhir+json; fhirVersion=5.0"],
)
def test_a_content_type_it_does_not_read(shared: httpx.Client, content_type: str) -> None:
    body = fhir_json.dumps(patient())
    refused(shared.post("Patient", content=body, headers={"Content-Type": content_type}), 415)


@pytest.mark.parametrize(
    ("body", "headers"),
    [
        (b"{", JSON),
        (b"[]", JSON),
        (b'"Patient"', JSON),
        (b'{"resourceType": "Patient", "id": "a", "id": "b"}', JSON),
        (b"<Patient", XML),
        (b'<!DOCTYPE p [<!ENTITY e SYSTEM "file:///etc/passwd">]><Patient xmlns="http://hl7.org/fhir"/>', XML),
        (b"not gzip", {**JSON, "Content-Encoding": "gzip"}),
        (gzip.compress(b"{}", mtime=0)[:-6], {**JSON, "Content-Encoding": "gzip"}),
    ],
)
def test_a_body_it_cannot_read(shared: httpx.Client, body: bytes, headers: dict[str, str]) -> None:
    # 3.1.0.4.2: 400 when the resource could not be parsed.
    refused(shared.post("Patient", content=body, headers=headers), 400)


@pytest.mark.parametrize(
    "broken",
    [
        observation(status="finished"),
        {k: v for k, v in observation().items() if k != "code"},
        observation(weight=3),
    ],
    ids=["not a status", "no code", "unknown element"],
)
def test_an_invalid_resource_is_refused_with_its_issues(shared: httpx.Client, broken: dict[str, Any]) -> None:
    # 3.1.0.4.2: 422 with an OperationOutcome that says what is wrong.
    refused(send(shared, "POST", "Observation", broken), 422)
    refused(send(shared, "PUT", "Observation/o", {**broken, "id": "o"}), 422)
    assert shared.get("Observation").json()["total"] == 0


def test_a_reference_that_leads_nowhere_is_refused(shared: httpx.Client) -> None:
    lost = observation(subject={"reference": "urn:uuid:0c3151bd-1cbf-4d64-b04d-cd9187a4c6e0"})
    refused(send(shared, "POST", "Observation", lost), 422)
    # 3.1.0.11.2: conditional references are for transactions only.
    refused(send(shared, "POST", "Observation", observation(subject={"reference": "Patient?identifier=1"})), 422)


def test_gzip_bodies(http: httpx.Client) -> None:
    packed = gzip.compress(fhir_json.dumps(patient()))
    response = http.post("Patient", content=packed, headers={**JSON, "Content-Encoding": "gzip"})
    assert response.status_code == 201
    refused(http.post("Patient", content=packed, headers={**JSON, "Content-Encoding": "br"}), 415)


async def _post(store: Store, body: bytes, headers: dict[str, str]) -> httpx.Response:
    transport = httpx.ASGITransport(
        create_app(store, SandboxSettings(limits=BodyLimits(received=2000, unpacked=3000)))
    )
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
        return await client.post("/fhir/Patient", content=body, headers={**JSON, **headers})


@pytest.mark.parametrize(
    ("size", "packed", "status"),
    [(1500, False, 201), (2500, False, 413), (2500, True, 201), (3500, True, 413), (50_000_000, True, 413)],
)
def test_limits_on_bodies(store: Store, size: int, packed: bool, status: int) -> None:
    # RFC 9110 15.5.14: 413; the limit holds for what a small packed body unpacks to.
    import asyncio

    body = fhir_json.dumps(patient(id="x")) + b" " * size
    headers = {"Content-Encoding": "gzip"} if packed else {}
    response = asyncio.run(_post(store, gzip.compress(body) if packed else body, headers))
    assert response.status_code == status


@pytest.mark.parametrize(
    ("method", "url", "status"),
    [
        ("GET", "Starship", 404),
        ("POST", "Starship", 404),
        ("GET", "Patient/baby/everything/else", 404),
        ("GET", "../elsewhere", 404),
        ("PATCH", "Patient/baby", 405),
        ("DELETE", "Patient", 405),
        ("POST", "metadata", 404),
        ("GET", "", 405),
        ("POST", "Patient/baby", 405),
    ],
)
def test_what_is_not_here(shared: httpx.Client, method: str, url: str, status: int) -> None:
    response = shared.request(method, url)
    refused(response, status)
    assert ("allow" in response.headers) == (status == 405)


def test_head_is_a_get_without_content(shared: httpx.Client) -> None:
    response = shared.head("metadata")
    assert (response.status_code, response.content) == (200, b"")


def test_the_log_names_no_patient(http: httpx.Client, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        created(http, patient("very-private", name=[{"family": "Secret"}]))
        http.get(f"Patient?identifier={SITE}|very-private")
        http.get("Patient/very-private")
        http.get("very-private")
        send(http, "POST", "Patient", patient("very-private", gender="very-private"))
    lines = [r.getMessage() for r in caplog.records if r.name == "adapter.sandbox"]
    assert lines == ["POST Patient 201", "GET Patient 200", "GET Patient 404", "GET - 404", "POST Patient 422"]
    ours = [r.getMessage() for r in caplog.records if not r.name.startswith(("httpx", "httpcore"))]
    assert not any("very-private" in line or "Secret" in line for line in ours)
