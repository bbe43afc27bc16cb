"""One exam to one server, once: whole in a transaction, or step by step where a server has none."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from types import MappingProxyType
from typing import NamedTuple

from adapter.fhir import search_token
from adapter.fhir.json import Json
from adapter.fhir.references import with_references
from adapter.problems import Problem
from adapter.send.failures import Held, problem
from adapter.send.rest.answers import EntryOutcome, ServerRefused
from adapter.send.rest.capability import Capability, Mode
from adapter.send.rest.changes import Adjusted, adjusted, as_new, in_order
from adapter.send.rest.client import FhirClient
from adapter.send.rest.lookup import held_report, look_up
from adapter.send.rest.newborn import USUAL, Wanted
from adapter.send.rest.persons import Standing, persons_there
from adapter.send.rest.transaction import Transaction
from adapter.send.rest.versions import refuse_older, refuse_other_content, refuse_unrooted

_EARLIER = "an earlier Observation"


class Delivered(NamedTuple):
    """The exam as it was sent, and the outcomes of its entries, in the order of the bundle, then of what was
    marked; the full URLs of those that updated something."""

    transaction: Transaction
    outcomes: list[EntryOutcome]
    updates: frozenset[str] = frozenset()

    @property
    def counts(self) -> dict[str, int]:
        """How many resources were created, updated, and left as they were."""
        updated = sum(outcome.full_url in self.updates for outcome in self.outcomes)
        created = sum(outcome.status == 201 and outcome.full_url not in self.updates for outcome in self.outcomes)
        return {"created": created, "updated": updated, "unchanged": len(self.outcomes) - created - updated}


class SentBefore(NamedTuple):
    """What the outbox knows of an exam that it sent before: where Observations are (``Type/id`` by the value of their
    identifier), and the digests of all that arrived."""

    places: Mapping[str, str] = MappingProxyType({})
    digests: frozenset[str] = frozenset()


NEVER_SENT = SentBefore()


class EntriesRefused(ServerRefused):
    """Some entries of a batch or of single requests were refused; ``outcomes`` are all that were answered."""

    def __init__(self, status: int, problems: Sequence[Problem], outcomes: list[EntryOutcome]) -> None:
        super().__init__(status, problems)
        self.outcomes = outcomes


def deliver(
    client: FhirClient,
    capability: Capability,
    transaction: Transaction,
    before: SentBefore = NEVER_SENT,
    wanted: Wanted = USUAL,
    say: Callable[[str], None] = lambda remark: None,
) -> Delivered:
    """Send an exam.

    ``before`` is what was sent of it; ``wanted`` says what the newborn's record must be and who else may be made, and
    ``say`` takes what is to be told of it. Doing it again changes nothing. An exam the server
    knows nothing of goes as it was queued, byte for byte, where everybody in it may be made. Raises
    :class:`~adapter.send.failures.Superseded`, :class:`~adapter.send.failures.Held`, and what the client raises; of a
    transaction that was refused nothing was kept.
    """
    reports, there = standing(client, capability, transaction, wanted, say, begun=capability.mode is Mode.TRANSACTION)
    transaction, newborn = there.transaction, there.newborn
    as_queued = not there.begun and (newborn.as_queued or "Patient" not in transaction.types)
    if not reports and transaction.rank == 0 and as_queued and _plainly(capability, transaction):
        with _naming(transaction.names):
            outcomes = _as_queued(client, capability, transaction)
        outcomes = _well(outcomes, transaction)
        compare_met(client, capability, there, outcomes, wanted)
        if all(outcome.status == 201 for outcome in outcomes if outcome.full_url not in transaction.shared):
            return Delivered(transaction, outcomes)
        # Something was there after all, and has been left as it was.
    todo = left_to_do(client, capability, there, before, reports)
    sent = carried_out(client, capability, todo, transaction)
    compare_met(client, capability, there, sent.outcomes, wanted)
    return sent


def standing(
    client: FhirClient,
    capability: Capability,
    transaction: Transaction,
    wanted: Wanted,
    say: Callable[[str], None],
    *,
    begun: bool = False,
) -> tuple[list[Json], Standing]:
    """The exam's report on the server, and who is there; raises as :func:`deliver` where it may not be sent.

    ``begun``: where there is no report, it is asked whether Observations are there all the same: a server may have
    lost the one and not the others, and what they say is compared before the rest is brought.
    """
    if missing := capability.missing(transaction.types - _left_out(transaction, wanted)):
        what = f"the server does not keep {', '.join(sorted(missing))}"
        raise ServerRefused(404, [problem("resource-types", what)])
    reports = held_report(client, transaction)
    refuse_older(client, transaction, reports)
    if not reports and transaction.rank > 0 and not transaction.rooted:
        refuse_unrooted(client, transaction)
    begun = begun and not reports and transaction.rank == 0
    there = persons_there(client, transaction, reports, wanted, asks_in=capability.asks_in, begun=begun)
    for remark in there.remarks:
        say(remark)
    return reports, there


def compare_met(
    client: FhirClient, capability: Capability, there: Standing, outcomes: Sequence[EntryOutcome], wanted: Wanted
) -> None:
    """Compare a newborn who was to be made, and whom somebody else made meanwhile under the same identifier.

    No server can be told to refuse that. Raises :class:`~adapter.send.failures.Held` where it is another one: by then
    the exam is there.
    """
    names = dict(zip(there.transaction.full_urls, there.transaction.names, strict=True))
    made = [outcome.status == 201 for outcome in outcomes if names.get(outcome.full_url) == "Patient"]
    if there.newborn.patient is not None or all(made):
        return
    try:
        standing(client, capability, there.transaction, wanted, lambda remark: None)
    except Held as held:
        now = "was made while the exam was sent, which now stands in that record"
        remedy = "the exam taken back there at once: newborn-adapter reassign, or a retraction"
        raise Held([replace(one, what=f"{one.what}; it {now}", remedy=remedy) for one in held.problems]) from None


def left_to_do(
    client: FhirClient, capability: Capability, there: Standing, before: SentBefore, reports: Sequence[Json] = ()
) -> Adjusted:
    """What of an exam is not on the server as meant; ``reports`` are those of it that have just been found. Raises
    :class:`~adapter.send.failures.Held` where the server holds other content under its id."""
    asks_in = capability.asks_in
    found = look_up(client, there.transaction, there.newborn, before.places, reports=reports, asks_in=asks_in)
    refuse_other_content(client, there.transaction, found, before.digests)
    return adjusted(found, capability, client.base_url)


def carried_out(client: FhirClient, capability: Capability, todo: Adjusted, transaction: Transaction) -> Delivered:
    """What is left to do, done; the outcomes of all entries."""
    if not todo.entries:
        return Delivered(transaction, _ordered(todo.settled, transaction))
    if capability.mode is Mode.TRANSACTION:
        outcomes = as_one(client, placed(todo), [transaction])
    else:
        outcomes = _in_steps(client, capability, todo, transaction)
    return concluded(todo, outcomes, transaction)


def as_one(client: FhirClient, entries: list[Json], transactions: Sequence[Transaction]) -> list[EntryOutcome]:
    """The entries, which are of these, in one transaction."""
    names = {url: name for one in transactions for url, name in zip(one.full_urls, one.names, strict=True)}
    with _naming([names.get(entry["fullUrl"], _EARLIER) for entry in entries]):
        return client.transaction({"resourceType": "Bundle", "type": "transaction", "entry": entries})


def placed(todo: Adjusted) -> list[Json]:
    """The entries, with references to what is there already."""
    return [_with_places(entry, todo.places) for entry in todo.entries]


def concluded(todo: Adjusted, outcomes: list[EntryOutcome], transaction: Transaction) -> Delivered:
    """The outcomes of all entries in their order, after what the server said to those that were sent."""
    _refuse_unseen(todo, outcomes, transaction)
    ordered = _well(_ordered([*todo.settled, *outcomes], transaction), transaction)
    return Delivered(transaction, ordered, todo.updates)


def _left_out(transaction: Transaction, wanted: Wanted) -> set[str]:
    """The types of whom nothing is asked of the server: left to their identifier."""
    not_made = transaction.not_made(wanted.over(transaction.persons).persons)
    return {resource["resourceType"] for what, resource in not_made.values() if what == "identifier"}


def _refuse_unseen(todo: Adjusted, outcomes: list[EntryOutcome], transaction: Transaction) -> None:
    """A create that found something there made nothing: a search had not shown it, so it is not as meant yet."""
    creates = {e["fullUrl"] for e in todo.entries if "ifNoneExist" in e["request"]} - transaction.shared
    if any(outcome.status == 200 for outcome in outcomes if outcome.full_url in creates):
        what = "the server holds more of this exam than its search showed"
        raise ServerRefused(409, [problem("conflict", what, "sent again, it is looked up again")])


def _plainly(capability: Capability, transaction: Transaction) -> bool:
    """Whether all of it can be made by conditions, with nothing looked up."""
    conditional = transaction.types - {"Provenance"} <= capability.conditional_create
    return capability.mode is Mode.TRANSACTION and conditional


def _as_queued(client: FhirClient, capability: Capability, transaction: Transaction) -> list[EntryOutcome]:
    """Sent byte for byte; but to a server where no update creates, the Provenance without an id of ours."""
    if client.format == "json" and "Provenance" in capability.update_create:
        return client.post_bundle(transaction.payload, "transaction", transaction.full_urls)
    entries = [as_new(entry, capability) for entry in transaction.entries()]
    return client.transaction({"resourceType": "Bundle", "type": "transaction", "entry": entries})


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
    """Where a resource is, from a server that does not say so in its answer (R4 3.1.0.8.1 does not ask it to).

    Raises :class:`ServerRefused` 409 where its search does not show it yet: nothing may refer to nowhere.
    """
    resource = entry["resource"]
    kind, identifier = resource["resourceType"], next(iter(resource.get("identifier", [])), None)
    if "id" in resource:
        return f"{kind}/{resource['id']}"
    if identifier is not None:
        token = search_token(identifier["system"], identifier["value"])
        for found in client.search(kind, {"identifier": token}):
            return f"{kind}/{found['id']}"
        what = f"the server does not say where it has put the {kind}, and its search does not show it"
        raise ServerRefused(409, [problem("conflict", what, "sent again, it is looked up again")])
    return ""


def _with_places(entry: Json, places: dict[str, str]) -> Json:
    def placed(reference: Json) -> Json:
        literal = reference["reference"]
        return {**reference, "reference": places.get(literal, literal)}

    return {**entry, "resource": with_references(entry["resource"], placed)}


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
        problems += [tied(problem, names.get(outcome.full_url, _EARLIER)) for problem in said]
    # What may pass by itself decides: then the whole is tried again.
    status = max((o.status for o in wrong), key=lambda status: (status >= 500, status in (409, 412, 429), status))
    raise EntriesRefused(status, problems, outcomes)


@contextmanager
def _naming(names: Sequence[str]) -> Iterator[None]:
    """What a server says of ``Bundle.entry[n]`` of a transaction it refuses is tied to that entry, by its name."""
    try:
        yield
    except ServerRefused as refused:
        refused.problems = [_named(one, names) for one in refused.problems]
        raise


def _named(found: Problem, names: Sequence[str]) -> Problem:
    match = re.search(r"\bentry\[(\d+)\]", found.where)
    return tied(found, names[int(match[1])]) if match and int(match[1]) < len(names) else found


def tied(problem: Problem, name: str) -> Problem:
    """The problem, tied to the entry called ``name`` and so to its item."""
    kind, _, value = name.partition(" ")
    parts = value.split("/")
    item = parts[1] if kind == "Observation" and len(parts) > 1 and parts[1] != "panel" else ""
    return replace(problem, where=f"{name}: {problem.where}" if problem.where else name, item=item)
