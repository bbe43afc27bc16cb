"""Rehearsed failures on real sockets: what the client sees of each, and whether the request took effect."""

from __future__ import annotations

import gzip
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx
import pytest
from sandbox_resources import exam, observation, patient

from adapter.fhir import json as fhir_json
from adapter.sandbox import BadFaults, Faults, Store, in_front_of, load_faults, parse_faults, running

JSON = {"Content-Type": "application/fhir+json"}


def rules(*given: dict[str, Any], seed: int = 0) -> Faults:
    return parse_faults({"seed": seed, "rules": list(given)})


@contextmanager
def serving(*given: dict[str, Any], seed: int = 0) -> Iterator[tuple[httpx.Client, Store]]:
    with (
        Store() as store,
        running(store, faults=rules(*given, seed=seed)) as url,
        httpx.Client(base_url=f"{url}/", trust_env=False, headers=JSON, timeout=5) as client,
    ):
        yield client, store


def post(client: httpx.Client) -> httpx.Response:
    return client.post("", content=fhir_json.dumps(exam()))


def kept(store: Store) -> int:
    """How many resources the server holds."""
    with store.session() as session:
        return len(session.ids("SELECT id FROM resource", ()))


CARRIED_OUT, NOT = 2, 0  # the transaction of sandbox_resources has two resources


@pytest.mark.parametrize(
    ("rule", "error", "effect"),
    [
        ({"fault": "reset-before"}, httpx.ReadError, NOT),
        ({"fault": "reset-after"}, httpx.ReadError, CARRIED_OUT),
        ({"fault": "reset-body"}, httpx.ReadError, CARRIED_OUT),
        # RFC 9112, section 8: a body shorter than its Content-Length is an incomplete message.
        ({"fault": "short-body"}, httpx.RemoteProtocolError, CARRIED_OUT),
        ({"fault": "hang", "seconds": 0.1}, httpx.RemoteProtocolError, NOT),
        ({"fault": "hang", "seconds": 0.1, "carried_out": True}, httpx.RemoteProtocolError, CARRIED_OUT),
    ],
)
def test_connections_that_break(rule: dict[str, Any], error: type[Exception], effect: int) -> None:
    with serving({**rule, "nth": 1}) as (client, store):
        with pytest.raises(error):
            post(client)
        assert kept(store) == effect
        # The next one goes well, and what was carried out is there already.
        assert post(client).status_code == 200
        assert kept(store) == CARRIED_OUT


def test_a_reset_is_a_reset() -> None:
    """The peer of a connection reset by RST sees ECONNRESET, not an end of file (RFC 9293, section 3.10.7.4)."""
    with serving({"fault": "reset-before"}) as (client, _):
        address = client.base_url.host, client.base_url.port
        with socket.create_connection(address) as raw:
            raw.sendall(b"GET /fhir/Patient HTTP/1.1\r\nHost: x\r\n\r\n")
            with pytest.raises(ConnectionResetError):
                raw.recv(1)


def test_half_an_answer_comes_before_the_reset() -> None:
    with serving({"fault": "reset-body"}) as (client, _):
        got = b""
        with client.stream("GET", "metadata") as answer, suppress(httpx.ReadError):
            assert answer.status_code == 200
            for piece in answer.iter_raw():
                got += piece
        assert got.startswith(b"{")
        assert len(got) < int(answer.headers["content-length"])


@pytest.mark.parametrize(
    ("rule", "status", "media", "effect"),
    [
        ({"fault": "truncated"}, 200, "application/fhir+json", CARRIED_OUT),
        ({"fault": "empty"}, 200, "application/fhir+json", CARRIED_OUT),
        ({"fault": "html"}, 200, "text/html", NOT),
        ({"fault": "html", "status": 502, "carried_out": True}, 502, "text/html", CARRIED_OUT),
    ],
)
def test_answers_that_are_no_resource(rule: dict[str, Any], status: int, media: str, effect: int) -> None:
    with serving(rule) as (client, store):
        answer = post(client)
        assert answer.status_code == status
        assert answer.headers["content-type"].partition(";")[0] == media
        with pytest.raises(ValueError):
            fhir_json.loads(answer.content)
        assert kept(store) == effect


def test_a_wrong_content_type_over_the_right_answer() -> None:
    with serving({"fault": "wrong-type", "content_type": "application/octet-stream"}) as (client, store):
        answer = post(client)
        assert answer.headers["content-type"] == "application/octet-stream"
        assert answer.json()["type"] == "transaction-response"
        assert kept(store) == CARRIED_OUT


@pytest.mark.parametrize("status", [400, 401, 403, 404, 408, 409, 412, 413, 422, 429, 500, 501, 502, 503, 504])
@pytest.mark.parametrize("carried_out", [False, True])
def test_refusals_are_operation_outcomes(status: int, carried_out: bool) -> None:
    with serving({"fault": "status", "status": status, "carried_out": carried_out}) as (client, store):
        answer = post(client)
        assert answer.status_code == status
        assert answer.json()["resourceType"] == "OperationOutcome"
        # RFC 9110, section 11.6.1: a 401 must send a challenge.
        assert ("www-authenticate" in answer.headers) == (status == 401)
        assert "retry-after" not in answer.headers
        assert kept(store) == (CARRIED_OUT if carried_out else NOT)


@pytest.mark.parametrize("given", [3, "Fri, 31 Dec 1999 23:59:59 GMT"])
def test_retry_after_in_both_of_its_forms(given: int | str) -> None:
    # RFC 9110, section 10.2.3; the date is that section's own example.
    with serving({"fault": "status", "status": 429, "retry_after": given}) as (client, _):
        assert post(client).headers["retry-after"] == str(given)


def test_slow_answers_arrive_whole() -> None:
    slow = [{"fault": "latency", "seconds": 0.2, "nth": 1}, {"fault": "slow-body", "seconds": 0.2, "nth": 2}]
    with serving(*slow) as (client, store):
        for _ in slow:
            before = time.monotonic()
            assert post(client).json()["type"] == "transaction-response"
            assert time.monotonic() - before >= 0.15  # it waited; how much longer is the machine's affair
        assert kept(store) == CARRIED_OUT


def test_a_client_that_gives_up_on_a_silent_server() -> None:
    with serving({"fault": "hang", "seconds": 60}) as (client, store):
        with pytest.raises(httpx.ReadTimeout):
            client.get("Patient", timeout=0.1)
        assert kept(store) == NOT


def test_packed_requests_and_answers_are_spoiled_too() -> None:
    with serving({"fault": "truncated", "match": {"body": "baby-1"}}) as (client, store):
        packed = gzip.compress(fhir_json.dumps(exam()))
        answer = client.post("", content=packed, headers={"Content-Encoding": "gzip", "Accept-Encoding": "gzip"})
        with pytest.raises(ValueError):
            answer.json()
        assert kept(store) == CARRIED_OUT


def test_which_requests_are_hit() -> None:
    said = rules(
        {"fault": "empty", "match": {"method": ["POST", "PUT"], "path": "Patient$"}, "nth": [2, 4]},
        {"fault": "html", "match": {"body": "exam-17"}, "every": 2, "times": 1},
        {"fault": "truncated", "match": {"method": "GET"}},
    )
    fate = [said.hit("POST", "/fhir/Patient") for _ in range(5)]
    assert [rule.fault if rule else None for rule in fate] == [None, "empty", None, "empty", None]
    assert [said.hit("POST", "/fhir", b"{exam-17}") for _ in range(6)].count(None) == 5
    assert said.hit("POST", "/fhir", b"exam-18") is None
    assert getattr(said.hit("GET", "/fhir/metadata"), "fault", None) == "truncated"
    assert said.hit("DELETE", "/fhir/Patient") is None
    assert said.hits == {0: 2, 1: 1, 2: 1}


def test_chance_is_the_seeds() -> None:
    def fate(seed: int) -> list[bool]:
        said = rules({"fault": "empty", "probability": 0.3}, seed=seed)
        return [said.hit("GET", "/") is not None for _ in range(400)]

    assert fate(1) == fate(1)
    assert fate(1) != fate(2)
    # 400 draws at 0.3: mean 120, standard deviation 9.2; within five of them.
    assert 74 < sum(fate(1)) < 166
    assert not any(rules({"fault": "empty", "probability": 0}).hit("GET", "/") for _ in range(50))


def test_faults_before_another_server(base: str, store: Store) -> None:
    """The same failures in front of a server that knows nothing of them; addresses it makes lead back through."""
    origin = base.removesuffix("/fhir")
    with (
        in_front_of(origin, rules({"fault": "reset-after", "match": {"method": "POST"}, "nth": 1})) as front,
        httpx.Client(base_url=f"{front}/fhir/", trust_env=False, headers=JSON) as client,
    ):
        with pytest.raises(httpx.ReadError):
            post(client)
        assert kept(store) == CARRIED_OUT
        assert post(client).status_code == 200
        assert kept(store) == CARRIED_OUT
        for number in range(3):
            made = client.put(f"Patient/p{number}", content=fhir_json.dumps(patient(f"p{number}", id=f"p{number}")))
            assert made.headers["location"].startswith(front)
        page = client.get("Patient?_count=2")
        assert client.get("metadata").headers["content-encoding"] == "gzip"
        assert all(link["url"].startswith(front) for link in page.json()["link"])
        assert client.delete("Patient/p0").status_code == 204
        assert client.get("Patient/p0").status_code == 410


def test_a_server_behind_that_is_not_there() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    with in_front_of(f"http://127.0.0.1:{port}", None) as front:
        assert httpx.get(f"{front}/fhir/metadata", trust_env=False).status_code == 502


def test_a_file_of_faults(tmp_path: Path) -> None:
    path = tmp_path / "faults.yaml"
    path.write_text(
        "seed: 7\nrules:\n"
        "  - fault: reset-after\n    match: {method: POST, path: '/fhir/?$', body: exam-17}\n    nth: 2\n"
        "  - {fault: status, status: 503, retry_after: 2, probability: 0.3}\n"
        "  - {fault: latency, seconds: 0.5, every: 4, times: 10}\n"
    )
    said = load_faults(path)
    assert [rule.fault for rule in said.rules] == ["reset-after", "status", "latency"]
    assert said.seed == 7


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("rules: [{fault: explode}]", "rules[0]"),
        ("rules: [{fault: latency, second: 1}]", "rules[0].second"),
        ("rules: [{fault: empty}, {fault: status}]", "rules[1].status"),
        ("rules: [{fault: status, status: 200}]", "rules[0].status"),
        ("rules: [{fault: empty, probability: 1.5}]", "rules[0].probability"),
        ("rules: [{fault: empty, nth: [1, 0]}]", "rules[0].nth[1]"),
        ("rules: [{fault: empty, match: {path: '('}}]", "rules[0].match.path"),
        ("rules: [{fault: empty, match: {method: SEND}}]", "rules[0].match.method"),
        ('rules: [{fault: wrong-type, content_type: "a\\nb"}]', "rules[0].content_type"),
        ('rules: [{fault: status, status: 429, retry_after: "1\\r\\nX: y"}]', "rules[0].retry_after"),
        ("faults: []", "rules"),
        ("- just a list", "the file"),
        ("rules: [", "not YAML"),
    ],
)
def test_a_file_that_cannot_be_used_says_where(tmp_path: Path, text: str, place: str) -> None:
    path = tmp_path / "faults.yaml"
    path.write_text(text)
    with pytest.raises(BadFaults) as error:
        load_faults(path)
    assert place in str(error.value)


def test_reading_is_untouched_by_rules_for_writing() -> None:
    with serving({"fault": "status", "status": 503, "match": {"method": ["POST", "PUT"]}}) as (client, _):
        assert client.get("metadata").status_code == 200
        body = fhir_json.dumps(observation(id="w"))
        assert client.put("Observation/w", content=body).status_code == 503
        assert client.get("Observation/w").status_code == 404
