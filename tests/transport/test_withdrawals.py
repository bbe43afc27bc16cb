"""An amended exam leaves nothing behind: what it no longer says is entered-in-error on the server."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from adapter.capture import read_captures
from adapter.catalogue import load_catalogue
from adapter.exam import Exam, Status
from adapter.fhir import from_bundle, to_bundle
from adapter.transport import FhirClient, fetch_exam, with_withdrawals
from adapter.validate import validate

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


def send(client: FhirClient, exam: Exam) -> dict[str, Any]:
    bundle = with_withdrawals(client, CATALOGUE, to_bundle(exam, CATALOGUE))
    assert {outcome.status for outcome in client.transaction(bundle)} <= {200, 201}
    return bundle


def test_a_swelling_recorded_on_the_wrong_side_is_withdrawn(base: str) -> None:
    first, amended = example("d10-1-girl-scalp-swelling-left"), example("d10-2-girl-scalp-swelling-amended")
    with FhirClient(base) as client:
        send(client, first)
        before = statuses(client)
        assert before["demo-d10/scalp_swelling/left"] == "final"
        bundle = send(client, amended)
        assert not [p for p in validate(bundle) if p.severity == "error"]
        after = statuses(client)
        assert after["demo-d10/scalp_swelling/left"] == "entered-in-error"
        assert after["demo-d10/scalp_swelling/right"] == "amended"
        assert {name for name, status in after.items() if status == "final"} == set()
        assert len(with_withdrawals(client, CATALOGUE, to_bundle(amended, CATALOGUE))["entry"]) == len(
            to_bundle(amended, CATALOGUE)["entry"]
        )
        stored = fetch_exam(client, CATALOGUE, "demo-d10")
        assert stored is not None
        (read,) = from_bundle(stored, CATALOGUE)
        assert sorted(map(repr, read.findings)) == sorted(map(repr, amended.findings))


def test_a_rule_that_no_longer_holds_is_withdrawn(base: str) -> None:
    first = example("d07-2-boy-cleft-soft-palate")
    details = first.details.model_copy(
        update={"id": "demo-d07-2b", "status": Status.AMENDED, "amends": "demo-d07-2", "reason": "Invented."}
    )
    kept = tuple(finding for finding in first.findings if finding.item != "jaw")
    with FhirClient(base) as client:
        send(client, first)
        rule = "demo-d07-2/cross_finding/small_jaw_with_cleft"
        assert statuses(client)[rule] == "final"
        send(client, first.model_copy(update={"details": details, "findings": kept}))
        assert statuses(client)[rule] == "entered-in-error"
        assert statuses(client)["demo-d07-2/jaw"] == "entered-in-error"


def test_a_final_exam_withdraws_nothing(base: str) -> None:
    exam = example("d01-well-term-girl")
    bundle = to_bundle(exam, CATALOGUE)
    with FhirClient(base) as client:
        assert with_withdrawals(client, CATALOGUE, bundle) is bundle
