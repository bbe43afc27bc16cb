"""An amended exam leaves nothing behind: what it no longer says is entered-in-error on the server."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from adapter.catalogue import load_catalogue
from adapter.exam import Exam, Status
from adapter.read import read_captures
from adapter.read.bundle import from_bundle
from adapter.sandbox import Store, running
from adapter.send import FhirClient, FhirTransport, Outbox, Sender, SendSummary, fetch_exam, message_of

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
CATALOGUE = load_catalogue()


def example(name: str) -> Exam:
    (reading,) = read_captures(CAPTURES / f"{name}.json", CATALOGUE)
    assert reading.exam is not None
    return reading.exam


def statuses(client: FhirClient) -> dict[str, str]:
    """Status by identifier of every Observation that the server holds."""
    found: dict[str, str] = {}
    for resource in client.search("Observation", {"_count": "500"}):
        found[resource["identifier"][0]["value"]] = resource["status"]
    return found


def send(client: FhirClient, outbox: Outbox, exam: Exam) -> None:
    outbox.put(client.base_url, message_of(exam, CATALOGUE))
    assert Sender(outbox, FhirTransport(client)).run() == SendSummary(sent=1)


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    with Outbox(tmp_path / "outbox.db") as found:
        yield found


@pytest.fixture
def client() -> Iterator[FhirClient]:
    with running(Store(None)) as url, FhirClient(url) as found:
        yield found


def test_a_swelling_recorded_on_the_wrong_side_is_withdrawn(client: FhirClient, outbox: Outbox) -> None:
    first, amended = example("d10-1-girl-scalp-swelling-left"), example("d10-2-girl-scalp-swelling-amended")
    send(client, outbox, first)
    before = statuses(client)
    assert before["demo-d10/scalp_swelling/left"] == "final"
    send(client, outbox, amended)
    after = statuses(client)
    assert after["demo-d10/scalp_swelling/left"] == "entered-in-error"
    assert after["demo-d10/scalp_swelling/right"] == "amended"
    assert {name for name, status in after.items() if status == "final"} == set()
    stored = fetch_exam(client, CATALOGUE, "demo-d10")
    assert stored is not None
    (read,) = from_bundle(stored, CATALOGUE)
    assert sorted(map(repr, read.findings)) == sorted(map(repr, amended.findings))


def test_a_rule_that_no_longer_holds_is_withdrawn(client: FhirClient, outbox: Outbox) -> None:
    first = example("d07-2-boy-cleft-soft-palate")
    details = first.details.model_copy(
        update={"id": "demo-d07-2b", "status": Status.AMENDED, "amends": "demo-d07-2", "reason": "Invented."}
    )
    kept = tuple(finding for finding in first.findings if finding.item != "jaw")
    send(client, outbox, first)
    rule = "demo-d07-2/cross_finding/small_jaw_with_cleft"
    assert statuses(client)[rule] == "final"
    send(client, outbox, first.model_copy(update={"details": details, "findings": kept}))
    assert statuses(client)[rule] == "entered-in-error"
    assert statuses(client)["demo-d07-2/jaw"] == "entered-in-error"


def test_an_amendment_that_leaves_nothing_to_tell_revokes_the_request(client: FhirClient, outbox: Outbox) -> None:
    first = example("d10-1-girl-scalp-swelling-left")
    details = first.details.model_copy(
        update={"id": "demo-d10c", "status": Status.AMENDED, "amends": "demo-d10", "reason": "Invented."}
    )
    send(client, outbox, first)
    assert "active" in {r["status"] for r in client.search("CommunicationRequest", {})}
    send(client, outbox, first.model_copy(update={"details": details, "findings": ()}))
    left = {r["priority"]: r["status"] for r in client.search("CommunicationRequest", {})}
    assert left["stat"] == left["urgent"] == "revoked"
