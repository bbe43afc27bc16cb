"""Which version of an exam a server has, and whether ours may go over it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from adapter.fhir import search_token
from adapter.send.failures import Held, Superseded, problem
from adapter.send.rest import answers
from adapter.send.rest.client import FhirClient
from adapter.send.rest.lookup import provenances
from adapter.send.rest.transaction import Transaction

_RANK = {"final": 0, "amended": 1, "corrected": 1, "appended": 1, "entered-in-error": 2}


def refuse_older(client: FhirClient, transaction: Transaction, reports: Sequence[dict[str, Any]]) -> None:
    """Raise :class:`Superseded` if a report on the server is of a newer version of the exam.

    Newer is: entered in error before amended before as first recorded. Of two amendments the one whose
    Provenance is not there yet is the newer one: the other has been here before. A site that keeps the Provenance in
    the report cannot tell, so that a person must. A retraction is final.
    """
    for report in reports:
        version = _version(report, transaction.systems.version) or transaction.root
        if version == transaction.exam:
            continue
        there = _RANK.get(answers.text(report, "status"), 0)
        same = there == transaction.rank
        unknown = "Provenance" not in transaction.types
        if there > transaction.rank or (
            same and (there == 2 or unknown or provenances(client, transaction, reports))
        ):
            raise Superseded(version)


def refuse_unrooted(client: FhirClient, transaction: Transaction) -> None:
    """Raise :class:`Held` for a later version of an exam that the server does not hold: what it amends is not there,
    or is a later version itself, so that the exam it stands for is another."""
    token = search_token(transaction.systems.version, transaction.root)
    for report in client.search("DiagnosticReport", {"identifier": token}):
        first = _version(report, transaction.systems.exam)
        if first and first != transaction.root and _version(report, transaction.systems.version) == transaction.root:
            what = f"the exam amends {transaction.root}, which is itself a later version of exam {first}"
            raise Held(
                [problem("amends-unknown", what, f"amends: {first}; or {transaction.root} handed over with it")]
            )
    what = f"the exam amends {transaction.root}, which is neither in this outbox nor on the server"
    raise Held([problem("amends-unknown", what, f"{transaction.root} handed over with it, or amends put right")])


def _version(report: dict[str, Any], system: str) -> str | None:
    found = (i for i in answers.objects(report.get("identifier")) if i.get("system") == system)
    return next((answers.text(identifier, "value") for identifier in found), None)
