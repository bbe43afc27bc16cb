"""Which version of an exam a server has, and whether ours may go over it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import datetime

from adapter.derive.chains import after_retraction, fork
from adapter.derive.versions import RETRACTED, Precedence, Version, Versions, instant_of
from adapter.exam import Status
from adapter.fhir import search_token
from adapter.fhir.json import Json
from adapter.read.bundle_findings import is_computed
from adapter.send.failures import Held, Superseded, problem
from adapter.send.rest import answers
from adapter.send.rest.captured import Captured, left_over
from adapter.send.rest.client import FhirClient
from adapter.send.rest.lookup import (
    Holding,
    is_retracted,
    own_values,
    provenance_by_id,
    provenances,
    read_again,
    version_named,
    version_of,
)
from adapter.send.rest.reconcile import digest_of
from adapter.send.rest.transaction import Transaction

_MOST = 12
_TELLING = "telling of "
_RANK = {"final": 0, "amended": 1, "corrected": 1, "appended": 1, "entered-in-error": RETRACTED}


def refuse_older(client: FhirClient, transaction: Transaction, reports: Sequence[Json]) -> None:
    """Raise :class:`Superseded` if a report on the server is of a newer version of the exam, :class:`Held` if it is
    of another amendment that nothing tells from ours, or of a retraction before which ours was not recorded.

    Which is newer is said by :class:`adapter.derive.versions.Precedence`, of the versions whose Provenances are
    there; what has been there before is older than what is there now. A retraction is final.
    """
    for report in reports:
        version = version_named(report, transaction)
        if version == transaction.exam:
            continue
        there = _RANK.get(answers.text(report, "status"), 0)
        if there > transaction.rank or there == transaction.rank == RETRACTED:
            if there == RETRACTED > transaction.rank > 0:
                _refuse_after(client, transaction, report, version)
            raise Superseded(version)
        if there == transaction.rank:
            _refuse_other_amendment(client, transaction, report, version)


def _refuse_after(client: FhirClient, transaction: Transaction, report: Json, version: str) -> None:
    """Raise :class:`Held` for an amendment that was not recorded before the exam had been taken back."""
    known = (one for one in _history(client, transaction, report) if one.id == version)
    back = next(known, None) or _by_id(client, transaction, version)
    if transaction.precedence.after(Precedence(RETRACTED, 0, back.recorded)):
        raise Held([after_retraction(transaction.exam, version)])


def _refuse_other_amendment(client: FhirClient, transaction: Transaction, report: Json, version: str) -> None:
    known = Versions()
    for one in _history(client, transaction, report):
        known.see(one)
    theirs = known.get(version) or _by_id(client, transaction, version)
    known.see(theirs)
    if transaction.exam in known:
        raise Superseded(version)
    own = transaction.precedence
    ours = _said(transaction.root, transaction.exam, transaction.amends, own.recorded)
    known.see(ours)
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
    yield from (one for provenance in found if (one := _stated(transaction, provenance)))


def _by_id(client: FhirClient, transaction: Transaction, version: str) -> Version:
    """A version of the exam whose Provenance a search did not show, which may lag behind what was written: by the id
    that it was sent with. Where it is not there either nothing is known of it but that it amends the exam."""
    asks = "Provenance" in transaction.types
    provenance = provenance_by_id(client, transaction.provenance_of(version)) if asks else None
    found = _stated(transaction, provenance or {})
    return found if found and found.id == version else _said(transaction.root, version, None, None)


def _stated(transaction: Transaction, provenance: Json) -> Version | None:
    """The version that a Provenance is of."""
    period = answers.object_(provenance.get("occurredPeriod"))
    done = instant_of(answers.text(period, "end") or answers.text(period, "start"))
    recorded = instant_of(answers.text(provenance, "recorded"))
    id_ = version_of(provenance, "source")
    made = None if recorded == done else recorded
    return None if id_ is None else _said(transaction.root, id_, version_of(provenance, "revision"), made)


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
        first = next(own_values(report, transaction.systems.exam), None)
        named = set(own_values(report, transaction.systems.version))
        if first and first != transaction.root and transaction.root in named:
            what = f"the exam amends {transaction.root}, which is itself a later version of exam {first}"
            raise Held(
                [problem("amends-unknown", what, f"first: {first}; or {transaction.root} handed over with it")]
            )
    what = f"the exam amends {transaction.root}, which is neither in this outbox nor on the server"
    remedy = f"{transaction.root} handed over with it; or, if it is a later version itself, first: the id of the exam"
    raise Held([problem("amends-unknown", what, f"{remedy} as first recorded")])


def refuse_other_content(
    client: FhirClient, transaction: Transaction, holding: Holding, sent_before: frozenset[str] = frozenset()
) -> None:
    """Raise :class:`Held` where the server holds this very version of the exam with other content: no outbox but the
    one that sent it knows of that, and what is final is never written over.

    ``sent_before`` are the digests of what this outbox sent of the exam: what stands there so, or was there, is ours
    (a server may have been restored). What is there in part, as an interrupted sender leaves it, is no other content;
    a retraction has none. What a search showed otherwise is read before that is said.
    """
    report = next(iter(_found(holding, "DiagnosticReport")), None)
    in_part = report is None and transaction.rank == 0
    if transaction.rank == RETRACTED or not (holding.same_version or in_part):
        return
    differing = list(dict.fromkeys(_differing(transaction, holding, report, sent_before)))
    if differing:
        read_again(client, holding, lambda one: _name(transaction, one) in differing)
        differing = list(dict.fromkeys(_differing(transaction, holding, report, sent_before)))
    if differing:
        named = ", ".join(differing[:_MOST])
        more = f" and {len(differing) - _MOST} more" if len(differing) > _MOST else ""
        what = f"the server already holds exam {transaction.exam} with other content ({named}{more})"
        remedy = f"send it as an amendment: an id of its own, status amended, amends: {transaction.exam}"
        raise Held([problem("id-taken", what, remedy)])


def _differing(
    transaction: Transaction, holding: Holding, report: Json | None, sent_before: frozenset[str]
) -> Iterator[str]:
    """What was captured otherwise, or only on one side, by name."""
    captured = Captured(transaction.systems.canonical)
    own = [entry["resource"] for entry in holding.entries]
    if report is not None:
        meant = next(one for one in own if one["resourceType"] == "DiagnosticReport")
        if captured.kind(meant) != captured.kind(report) and digest_of(report) not in sent_before:
            yield "the kind or the time of the exam"
    there = [*_found(holding, "Observation"), *_found(holding, "Communication"), *holding.extra]
    groups: dict[str, tuple[list[Json], list[Json]]] = {}
    for side, resources in enumerate((own, there)):
        for one in resources:
            if (name := _name(transaction, one)) and not (side and one in holding.extra and is_retracted(one)):
                groups.setdefault(name, ([], []))[side].append(one)
    lost = report is None or _leads_to_what_is_lost([report, *there])
    for name, (ours, theirs) in groups.items():
        taken_back, live = ([one for one in theirs if is_retracted(one) is gone] for gone in (True, False))
        without, rest = left_over(ours, live, captured.alike)
        never_there = [one for one in without if not lost and one["resourceType"] == "Observation"]
        if any(digest_of(one) not in sent_before for one in (*rest, *taken_back, *never_there)):
            yield name


def _leads_to_what_is_lost(there: list[Json]) -> bool:
    """Whether a report or a panel names a member that is not there: it was, or has not been found yet."""
    ids = {one["id"] for one in there}
    members = (member for one in there for member in answers.objects(one.get("hasMember") or one.get("result")))
    led = (answers.text(member, "reference").partition("/_history")[0] for member in members)
    return not {reference.rpartition("/")[2] for reference in led} <= ids


def _name(transaction: Transaction, resource: Json) -> str:
    """What a finding or a telling is called: without the number of one that was recorded several times; nothing for
    what the software made."""
    kind = resource["resourceType"]
    if kind not in ("Observation", "Communication") or is_computed(resource):
        return ""
    system = transaction.systems.observation if kind == "Observation" else transaction.systems.told
    value = next((v for v in own_values(resource, system) if v.startswith(f"{transaction.root}/")), "")
    parts = value.removeprefix(f"{transaction.root}/").split("/")
    if parts[0] == "panel":
        return ""
    if parts[-1].isdigit():
        parts.pop()
    return (_TELLING if kind == "Communication" else "") + " ".join(parts)


def _found(holding: Holding, kind: str) -> list[Json]:
    return [one for found in holding.found for one in found if one["resourceType"] == kind]
