"""One exam to one server, once: whole in a transaction, or step by step where a server has none."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from adapter.fhir import search_token
from adapter.problems import Problem
from adapter.send.failures import problem
from adapter.send.rest.answers import EntryOutcome, ServerRefused
from adapter.send.rest.capability import Capability, Mode
from adapter.send.rest.changes import Adjusted, adjusted, in_order, with_references
from adapter.send.rest.client import FhirClient
from adapter.send.rest.lookup import held_report, look_up
from adapter.send.rest.newborn import USUAL, Known, Wanted, newborn_there
from adapter.send.rest.transaction import Transaction
from adapter.send.rest.versions import refuse_older, refuse_unrooted

Json = dict[str, Any]


class EntriesRefused(ServerRefused):
    """Some entries of a batch or of single requests were refused; ``outcomes`` are all that were answered."""

    def __init__(self, status: int, problems: Sequence[Problem], outcomes: list[EntryOutcome]) -> None:
        super().__init__(status, problems)
        self.outcomes = outcomes


def deliver(
    client: FhirClient,
    capability: Capability,
    transaction: Transaction,
    known: Mapping[str, str] | None = None,
    wanted: Wanted = USUAL,
    say: Callable[[str], None] = lambda remark: None,
) -> list[EntryOutcome]:
    """Send an exam; the outcomes of its entries, in the order of the bundle, then of what was marked.

    ``known`` says where Observations of earlier versions are; ``wanted`` what the newborn's record must be, and
    ``say`` takes what is to be told of it. Doing it again changes nothing. An exam the server knows nothing of goes
    as it was queued, byte for byte. Raises :class:`~adapter.send.failures.Superseded`,
    :class:`~adapter.send.failures.Held`, and what the client raises; of a transaction that was refused
    nothing was kept.
    """
    reports, newborn = standing(client, capability, transaction, wanted, say)
    if not reports and transaction.rank == 0 and newborn.as_queued and _plainly(client, capability, transaction):
        outcomes = _well(client.post_bundle(transaction.payload, "transaction", transaction.full_urls), transaction)
        if all(outcome.status == 201 for outcome in outcomes if outcome.full_url not in transaction.shared):
            return outcomes
        # Something was there after all, and has been left as it was.
    todo = left_to_do(client, capability, transaction, newborn, known)
    return carried_out(client, capability, todo, transaction)


def standing(
    client: FhirClient,
    capability: Capability,
    transaction: Transaction,
    wanted: Wanted,
    say: Callable[[str], None],
) -> tuple[list[Json], Known]:
    """The exam's report on the server, and the newborn; raises as :func:`deliver` where it may not be sent."""
    if missing := capability.missing(transaction.types):
        what = f"the server does not keep {', '.join(sorted(missing))}"
        raise ServerRefused(404, [problem("resource-types", what)])
    reports = held_report(client, transaction)
    refuse_older(client, transaction, reports)
    if not reports and transaction.rank > 0 and not transaction.rooted:
        refuse_unrooted(client, transaction)
    newborn = newborn_there(client, transaction, reports, wanted)
    for remark in newborn.remarks:
        say(remark)
    return reports, newborn


def left_to_do(
    client: FhirClient,
    capability: Capability,
    transaction: Transaction,
    newborn: Known,
    known: Mapping[str, str] | None,
) -> Adjusted:
    """What of an exam is not on the server as meant."""
    found = look_up(client, transaction, transaction.bundle(), newborn, known)
    return adjusted(found, capability, client.base_url)


def carried_out(
    client: FhirClient, capability: Capability, todo: Adjusted, transaction: Transaction
) -> list[EntryOutcome]:
    """What is left to do, done; the outcomes of all entries."""
    if not todo.entries:
        return _ordered(todo.settled, transaction)
    if capability.mode is Mode.TRANSACTION:
        outcomes = client.transaction({"resourceType": "Bundle", "type": "transaction", "entry": placed(todo)})
    else:
        outcomes = _in_steps(client, capability, todo, transaction)
    return concluded(todo, outcomes, transaction)


def placed(todo: Adjusted) -> list[Json]:
    """The entries, with references to what is there already."""
    return [_with_places(entry, todo.places) for entry in todo.entries]


def concluded(todo: Adjusted, outcomes: list[EntryOutcome], transaction: Transaction) -> list[EntryOutcome]:
    """The outcomes of all entries in their order, after what the server said to those that were sent."""
    _refuse_unseen(todo, outcomes, transaction)
    return _well(_ordered([*todo.settled, *outcomes], transaction), transaction)


def _refuse_unseen(todo: Adjusted, outcomes: list[EntryOutcome], transaction: Transaction) -> None:
    """A create that found something there made nothing: a search had not shown it, so it is not as meant yet."""
    creates = {e["fullUrl"] for e in todo.entries if "ifNoneExist" in e["request"]} - transaction.shared
    if any(outcome.status == 200 for outcome in outcomes if outcome.full_url in creates):
        what = "the server holds more of this exam than its search showed"
        raise ServerRefused(409, [problem("conflict", what, "sent again, it is looked up again")])


def _plainly(client: FhirClient, capability: Capability, transaction: Transaction) -> bool:
    """Whether the queued bytes are what this server takes."""
    return (
        client.format == "json"
        and capability.mode is Mode.TRANSACTION
        and not transaction.types - {"Provenance"} - capability.conditional_create
        and "Provenance" in capability.update_create
    )


def _in_steps(
    client: FhirClient, capability: Capability, todo: Adjusted, transaction: Transaction
) -> list[EntryOutcome]:
    """Every step after the steps it refers to; the first refusal ends it."""
    places = dict(todo.places)
    outcomes: list[EntryOutcome] = []
    for step in in_order(todo.entries):
        entries = [_with_places(entry, places) for entry in step]
        answered = _batch(client, entries) if capability.mode is Mode.BATCH else _singly(client, entries, outcomes)
        outcomes += answered
        _well(outcomes, transaction)
        for entry, outcome in zip(step, answered, strict=True):
            places[entry["fullUrl"]] = outcome.place or _found_again(client, entry)
    return outcomes


def _batch(client: FhirClient, entries: list[Json]) -> list[EntryOutcome]:
    return client.transaction({"resourceType": "Bundle", "type": "batch", "entry": entries})


def _singly(client: FhirClient, entries: list[Json], before: list[EntryOutcome]) -> list[EntryOutcome]:
    found: list[EntryOutcome] = []
    for entry in entries:
        try:
            found.append(client.carry_out(entry))
        except ServerRefused as refused:
            # What no FHIR server said, or is not of this entry, is not this entry's.
            ours = refused.cause is not None or not refused.is_fhir or refused.status in (401, 403, 408, 425, 429)
            if ours or refused.status >= 500:
                raise
            refusal = EntryOutcome(entry["fullUrl"], refused.status, outcome_problems=tuple(refused.problems))
            raise EntriesRefused(refused.status, refused.problems, [*before, *found, refusal]) from None
    return found


def _found_again(client: FhirClient, entry: Json) -> str:
    """Where a resource is, from a server that does not say so in its answer (R4 3.1.0.8.1 does not ask it to)."""
    resource = entry["resource"]
    kind, identifier = resource["resourceType"], next(iter(resource.get("identifier", [])), None)
    if "id" in resource:
        return f"{kind}/{resource['id']}"
    if identifier is not None:
        token = search_token(identifier["system"], identifier["value"])
        for found in client.search(kind, {"identifier": token}):
            return f"{kind}/{found['id']}"
    return ""


def _with_places(entry: Json, places: dict[str, str]) -> Json:
    resource = with_references(entry["resource"], lambda reference: places.get(reference, reference))
    return {**entry, "resource": resource}


def _ordered(outcomes: list[EntryOutcome], transaction: Transaction) -> list[EntryOutcome]:
    order = {full_url: number for number, full_url in enumerate(transaction.full_urls)}
    return sorted(outcomes, key=lambda outcome: order.get(outcome.full_url, len(order)))


def _well(outcomes: list[EntryOutcome], transaction: Transaction) -> list[EntryOutcome]:
    """The outcomes, if all entries were carried out; else :class:`EntriesRefused` with a problem an entry."""
    wrong = [outcome for outcome in outcomes if not outcome.well]
    if not wrong:
        return outcomes
    names = dict(zip(transaction.full_urls, transaction.names, strict=True))
    problems = []
    for outcome in wrong:
        said = outcome.outcome_problems or (problem(f"http-{outcome.status}", "the entry was refused"),)
        problems += [tied(problem, names.get(outcome.full_url, "an earlier Observation")) for problem in said]
    # What may pass by itself decides: then the whole is tried again.
    status = max((o.status for o in wrong), key=lambda status: (status >= 500, status in (409, 412, 429), status))
    raise EntriesRefused(status, problems, outcomes)


def tied(problem: Problem, name: str) -> Problem:
    """The problem, tied to the entry called ``name`` and so to its item."""
    kind, _, value = name.partition(" ")
    parts = value.split("/")
    item = parts[1] if kind == "Observation" and len(parts) > 1 and parts[1] != "panel" else ""
    return replace(problem, where=f"{name}: {problem.where}" if problem.where else name, item=item)
