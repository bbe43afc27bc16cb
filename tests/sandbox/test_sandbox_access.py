"""Bearer tokens (RFC 6750), packed answers (RFC 9110), and the operation $validate (R4)."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import Any

import httpx
import pytest
from sandbox_resources import exam, observation

from adapter.fhir import json as fhir_json
from adapter.sandbox import SandboxSettings, Store, running
from adapter.validate import operation_outcome, validate

JSON = {"Content-Type": "application/fhir+json"}


def test_a_token_lets_in_and_none_does_not(tmp_path: Path) -> None:
    file = tmp_path / "tokens"
    file.write_text("first-token\nsecond-token\n")
    with Store() as store, running(store, settings=SandboxSettings(token_file=file)) as url:
        with httpx.Client(base_url=f"{url}/", trust_env=False) as http:

            def status(authorization: str | None) -> int:
                headers = {"Authorization": authorization} if authorization else {}
                return http.get("Patient", headers=headers).status_code

            assert status("Bearer first-token") == status("bearer second-token") == 200
            for wrong in (
                None,
                "Bearer",
                "Bearer third",
                "Bearer first",
                "Basic first-token",
                "first-token",
            ):
                assert status(wrong) == 401, wrong
            # RFC 6750, section 3: the challenge, with an error code only where a token came.
            bare = http.post("", content=fhir_json.dumps(exam()), headers=JSON)
            assert bare.status_code == 401
            assert bare.headers["www-authenticate"] == "Bearer"
            assert bare.json()["issue"][0]["code"] == "login"
            wrong_one = http.get("Patient", headers={"Authorization": "Bearer third"})
            assert 'error="invalid_token"' in wrong_one.headers["www-authenticate"]
            # The statement is open, and says that a token is wanted.
            assert "token" in http.get("metadata").json()["rest"][0]["security"]["description"]
            # A token that is taken out of the file has expired.
            file.write_text("second-token")
            assert status("Bearer first-token") == 401
            assert status("Bearer second-token") == 200
            file.unlink()
            assert status("Bearer second-token") == 401
        page = httpx.get(url.removesuffix("/fhir") + "/", trust_env=False)
        assert page.status_code == 401
        assert page.headers["www-authenticate"] == "Bearer"
        with store.session() as session:
            assert session.ids("SELECT id FROM resource", ()) == []


def test_answers_are_packed_where_the_client_takes_it(shared: httpx.Client) -> None:
    """RFC 9110, sections 8.4.1.3 and 12.5.3, checked with the gzip of Python's library on the raw bytes."""
    with shared.stream("GET", "metadata", headers={"Accept-Encoding": "gzip"}) as answer:
        assert answer.headers["content-encoding"] == "gzip"
        assert "accept-encoding" in answer.headers["vary"].lower()
        packed = b"".join(answer.iter_raw())
    plain = shared.get("metadata", headers={"Accept-Encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert gzip.decompress(packed) == plain.content
    assert len(packed) < len(plain.content) // 2


def outcome(answer: httpx.Response) -> dict[str, Any]:
    assert answer.status_code == 200, answer.text  # it ran, whatever it found
    found: dict[str, Any] = fhir_json.loads(answer.content)
    assert found["resourceType"] == "OperationOutcome"
    return found


def severities(found: dict[str, Any]) -> set[str]:
    return {issue["severity"] for issue in found["issue"]}


WRONG_UNIT = observation(valueQuantity={"value": 3, "system": "http://unitsofmeasure.org", "code": "kilogramme"})
RIGHT = observation(valueQuantity={"value": 3, "unit": "kg", "system": "http://unitsofmeasure.org", "code": "kg"})


def test_validate_says_what_the_validator_says(shared: httpx.Client) -> None:
    for resource in (RIGHT, WRONG_UNIT, {**RIGHT, "status": "done"}, {**RIGHT, "shoe": 1}):
        sent = fhir_json.dumps(resource)
        found = outcome(shared.post("Observation/$validate", content=sent, headers=JSON))
        assert found == operation_outcome(validate(resource, second_opinion=False))
        assert ("error" in severities(found)) == (resource is not RIGHT)
    assert shared.get("Observation?_count=0").json()["total"] == 0


def test_validate_takes_parameters_and_any_type(shared: httpx.Client) -> None:
    # resource-operation-validate.html: parameters resource, mode, profile.
    wrapped = {"resourceType": "Parameters", "parameter": [{"name": "resource", "resource": WRONG_UNIT}]}
    sent = fhir_json.dumps(wrapped)
    assert "error" in severities(outcome(shared.post("Observation/$validate", content=sent, headers=JSON)))
    bundle = fhir_json.dumps(exam())
    assert "error" not in severities(
        outcome(shared.post("Bundle/$validate?mode=create", content=bundle, headers=JSON))
    )
    as_xml = shared.post("Bundle/$validate", content=bundle, headers={**JSON, "Accept": "application/fhir+xml"})
    assert b"<OperationOutcome" in as_xml.content


@pytest.mark.parametrize(
    ("url", "content"),
    [
        ("Patient/$validate", RIGHT),
        ("Observation/$validate?mode=delete", RIGHT),
        ("Observation/$validate", {"resourceType": "Parameters", "parameter": []}),
        (
            "Observation/$validate",
            {"resourceType": "Parameters", "parameter": [{"name": "profile", "valueUri": "u:x"}]},
        ),
        ("Observation/$validate", []),
    ],
)
def test_validate_refuses_what_it_cannot_do(shared: httpx.Client, url: str, content: Any) -> None:
    answer = shared.post(url, content=fhir_json.dumps(content), headers=JSON)
    assert answer.status_code == 400
    assert answer.json()["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE", "HEAD"])
@pytest.mark.parametrize("path", ["/metadata", "/Patient", "/Patient/1", "", "/nowhere/at/all"])
@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "evil.example"}, 421),
        ({"Host": "127.0.0.1.evil.example"}, 421),
        ({"Origin": "https://evil.example"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
    ],
)
def test_other_sites_get_nothing(
    shared: httpx.Client, method: str, path: str, headers: dict[str, str], status: int
) -> None:
    """As the page: neither under a name that was made to lead here (DNS rebinding; RFC 9110, 15.5.20) nor across
    sites."""
    answer = shared.request(method, path, headers=headers)
    assert answer.status_code == status
    if method != "HEAD":
        assert answer.json()["resourceType"] == "OperationOutcome"
