"""Which version of an exam a server has, and whether ours may go over it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from adapter.derive.chains import fork
from adapter.derive.versions import RETRACTED, Version, Versions, instant_of
from adapter.exam import Status
from adapter.fhir import search_token
from adapter.send.failures import Held, Superseded, problem
from adapter.send.rest import answers
from adapter.send.rest.client import FhirClient
from adapter.send.rest.lookup import provenances, version_of
from adapter.send.rest.transaction import Transaction

Json = dict[str, Any]

_RANK = {"final": 0, "amended": 1, "corrected": 1, "appended": 1, "entered-in-error": RETRACTED}


def refuse_older(client: FhirClient, transaction: Transaction, reports: Sequence[Json]) -> None:
    """Raise :class:`Superseded` if a report on the server is of a newer version of the exam, :class:`Held` if it is
    of another amendment that nothing tells from ours.

    Which is newer is said by :class:`adapter.derive.versions.Precedence`, of the versions whose Provenances are
    there; what has been there before is older than what is there now. A retraction is final.
    """
    for report in reports:
        version = _version(report, transaction.systems.version) or transaction.root
        if version == transaction.exam:
            continue
        there = _RANK.get(answers.text(report, "status"), 0)
        if there > transaction.rank or there == transaction.rank == RETRACTED:
            raise Superseded(version)
        if there == transaction.rank:
            _refuse_other_amendment(client, transaction, report, version)


def _refuse_other_amendment(client: FhirClient, transaction: Transaction, report: Json, version: str) -> None:
    known = Versions()
    for one in _history(client, transaction, report):
        known.see(one)
    if transaction.exam in known:
        raise Superseded(version)
    own = transaction.precedence
    ours = _said(transaction.root, transaction.exam, transaction.amends, own.recorded)
    known.see(ours)
    theirs = known.get(version) or _said(transaction.root, version, None, None)
    found = known.precedence(ours)
    over = replace(found, depth=max(found.depth, own.depth)).over(known.precedence(theirs))
    if over is None:
        raise Held([fork(transaction.exam, version)])
    if not over:
        raise Superseded(version)


def _history(client: FhirClient, transaction: Transaction, report: Json) -> Iterator[Version]:
    """The versions of the exam that were there, by their Provenances."""
    found = [one for one in answers.objects(report.get("contained")) if one.get("resourceType") == "Provenance"]
    if "Provenance" in transaction.types:
        # Ours by its id first: a search may lag behind what was written.
        found += provenances(client, transaction, ())
        found += client.search("Provenance", {"target": f"DiagnosticReport/{report['id']}", "_count": "200"})
    for provenance in found:
        period = answers.object_(provenance.get("occurredPeriod"))
        done = instant_of(answers.text(period, "end") or answers.text(period, "start"))
        recorded = instant_of(answers.text(provenance, "recorded"))
        id_ = version_of(provenance, "source")
        if id_ is not None:
            made = None if recorded == done else recorded
            yield _said(transaction.root, id_, version_of(provenance, "revision"), made)


def _said(root: str, id_: str, amends: str | None, recorded: datetime | None) -> Version:
    if id_ == root:
        return Version(id_, Status.FINAL)
    amends = amends or root
    return Version(id_, Status.AMENDED, amends, None if amends == root else root, recorded)


def refuse_unrooted(client: FhirClient, transaction: Transaction) -> None:
    """Raise :class:`Held` for a later version of an exam that the server does not hold: what it amends is not there,
    or is a later version itself, so that the exam it stands for is another."""
    token = search_token(transaction.systems.version, transaction.root)
    for report in client.search("DiagnosticReport", {"identifier": token}):
        first = _version(report, transaction.systems.exam)
        if first and first != transaction.root and _version(report, transaction.systems.version) == transaction.root:
            what = f"the exam amends {transaction.root}, which is itself a later version of exam {first}"
            raise Held(
                [problem("amends-unknown", what, f"first: {first}; or {transaction.root} handed over with it")]
            )
    what = f"the exam amends {transaction.root}, which is neither in this outbox nor on the server"
    remedy = f"{transaction.root} handed over with it; or, if it is a later version itself, first: the id of the exam"
    raise Held([problem("amends-unknown", what, f"{remedy} as first recorded")])


def _version(report: Json, system: str) -> str | None:
    found = (i for i in answers.objects(report.get("identifier")) if i.get("system") == system)
    return next((answers.text(identifier, "value") for identifier in found), None)
