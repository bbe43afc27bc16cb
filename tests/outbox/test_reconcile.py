"""A server that was restored from a backup, or changed by others, held against what arrived there."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from uuid import uuid4

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from on_server import observations, statuses
from sent_exams import amended, exam

from adapter.catalogue import Catalogue
from adapter.fhir.json import dumps
from adapter.send import FhirClient, FhirTransport, Outbox, Sender, SendSummary, message_of
from adapter.send.rest.reconcile import digest_of
from commands import run_here

Keys = tuple[str, str]


@pytest.fixture
def url(one_server: str) -> str:
    return one_server


@pytest.fixture
def keys() -> Keys:
    return uuid4().hex[:10], uuid4().hex[:10]


@pytest.fixture
def path(tmp_path: Path, url: str, keys: Keys, catalogue: Catalogue) -> Path:
    """An outbox from which two newborns' exams arrived, one of them amended."""
    made, (a, b) = tmp_path / "outbox.db", keys
    with Outbox(made) as outbox, FhirClient(url) as client:
        for one in (exam(a), exam(b), amended(exam(b))):
            outbox.put(url, message_of(one, catalogue))
        assert Sender(outbox, FhirTransport(client)).run() == SendSummary(sent=3)
    return made


def held(url: str, key: str, name: str) -> dict[str, object]:
    with FhirClient(url) as client:
        [found] = observations(client, exam(key))[f"x-{key}/{name}"]
        return found


def put_over(url: str, resource: dict[str, object], **changed: object) -> None:
    with httpx.Client(trust_env=False) as http:
        content = dumps({**resource, **changed})
        headers = {"Content-Type": "application/fhir+json"}
        assert http.put(f"{url}/Observation/{resource['id']}", content=content, headers=headers).is_success


def delete(url: str, *resources: dict[str, object]) -> None:
    with httpx.Client(trust_env=False) as http:
        for one in resources:
            answer = http.delete(f"{url}/Observation/{one['id']}")
            if answer.status_code == 409:
                pytest.skip("the server lets nothing go that others refer to")
            assert answer.is_success


def reconcile(path: Path, url: str, *more: str) -> tuple[int, str]:
    done = run_here("outbox", "reconcile", "--to", url, "--outbox", path, *more)
    return done.returncode, done.stdout.decode()


def test_a_server_that_is_as_it_was_left(path: Path, url: str) -> None:
    assert reconcile(path, url) == (0, "2 of 2 exams stand as they were sent.\n")
    run_here("outbox", "purge", "--outbox", path)
    assert reconcile(path, url) == (0, "2 of 2 exams stand as they were sent.\n")


def test_what_a_restore_lost_is_found_and_just_that_is_sent(path: Path, url: str, keys: Keys) -> None:
    """One finding is gone, another stands as before the amendment."""
    untouched = held(url, keys[0], "grunting")["meta"]
    delete(url, held(url, keys[0], "birth_weight"))
    rate = held(url, keys[1], "respiratory_rate")
    put_over(url, rate, valueQuantity={**rate["valueQuantity"], "value": 44}, status="final")  # type: ignore[dict-item]
    code, said = reconcile(path, url, "--send")
    assert code == 1
    assert f"lost     Observation x-{keys[0]}/birth_weight" in said
    assert f"older    Observation x-{keys[1]}/respiratory_rate" in said
    assert "0 of 2" in said
    assert run_here("send", "--to", url, "--outbox", path).returncode == 0
    assert reconcile(path, url)[0] == 0
    assert held(url, keys[0], "grunting")["meta"] == untouched


def test_what_others_have_changed_is_for_a_person(path: Path, url: str, keys: Keys) -> None:
    rate = held(url, keys[0], "respiratory_rate")
    put_over(url, rate, valueQuantity={**rate["valueQuantity"], "value": 51})  # type: ignore[dict-item]
    delete(url, held(url, keys[0], "birth_weight"))
    code, said = reconcile(path, url, "--send")
    assert code == 1
    assert f"changed  Observation x-{keys[0]}/respiratory_rate" in said
    assert "for a person" in said
    assert "0 sent" in run_here("send", "--to", url, "--outbox", path).stdout.decode()


def test_what_was_purged_is_handed_over_again(path: Path, url: str, keys: Keys, catalogue: Catalogue) -> None:
    run_here("outbox", "purge", "--outbox", path)
    with FhirClient(url) as client:
        delete(url, *(same[0] for same in observations(client, exam(keys[0])).values()))
    code, said = reconcile(path, url, "--send")
    assert code == 1
    assert f"hand x-{keys[0]} over again (newborn-adapter send FILE --again)" in said
    with Outbox(path) as outbox, FhirClient(url) as client:
        outbox.put(url, message_of(exam(keys[0]), catalogue), again=True)
        assert Sender(outbox, FhirTransport(client)).run() == SendSummary(sent=1)
        assert set(statuses(observations(client, exam(keys[0]))).values()) == {"final"}
    assert reconcile(path, url)[0] == 0


def test_nothing_of_a_patient_is_kept_when_messages_are_purged(path: Path, url: str, keys: Keys) -> None:
    with Outbox(path) as outbox:
        outbox.purge("9999")
        assert list(outbox.rows()) == []
        kept = repr(outbox.arrived(url))
    assert f"x-{keys[1]}-v2" in kept
    content = path.read_bytes()
    for private in ("Testling", f"baby-{keys[0]}", "2026-02-28", "Loud", "Counted again"):
        assert private not in kept
        assert private.encode() not in content


@given(st.decimals(allow_nan=False, allow_infinity=False, places=3, min_value=-1000, max_value=1000), st.text())
def test_a_digest_is_of_what_was_meant(number: Decimal, text: str) -> None:
    meant = {"resourceType": "Observation", "valueQuantity": {"value": number}, "note": [{"text": text}]}
    found = {
        **meant,
        "id": "7",
        "meta": {"versionId": "3"},
        "valueQuantity": {"value": number.normalize()},
        "text": {"status": "generated"},
    }
    assert digest_of(meant) == digest_of(found)
    assert digest_of(meant) != digest_of({**found, "valueQuantity": {"value": number + 1}})
    assert digest_of(meant) != digest_of({**found, "note": [{"text": text + "x"}]})
