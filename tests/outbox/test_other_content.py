"""One exam id, two contents, and an outbox that knows nothing of what is there: nothing final is written over.

What a server makes of a resource that it keeps is no other content (common practice of servers: other digits, UTC, a
narrative; FHIR R4, CodeableConcept, from memory: the order of codings has no meaning).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from on_server import observations, statuses
from sent_exams import NURSE, STARTED, amended, exam

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Finding, Quantity, Side, Telling, Urgency
from adapter.send import FhirClient, FhirTransport, Outbox, Sender, SendSummary, State, message_of
from adapter.send.failures import Held
from adapter.send.rest.answers import ServerRefused
from adapter.send.rest.lookup import Holding
from adapter.send.rest.transaction import Transaction, transaction_of
from adapter.send.rest.versions import refuse_other_content

Json = dict[str, Any]
SENT, HELD = SendSummary(sent=1), SendSummary(held=1)


@pytest.fixture
def alone(one_server: str) -> Iterator[FhirClient]:
    with FhirClient(one_server) as client:
        yield client


@pytest.fixture
def send(catalogue: Catalogue, tmp_path: Path) -> Callable[..., tuple[SendSummary, str]]:
    """By an outbox that has sent nothing: how it ended, and what was said."""

    def sent(client: FhirClient, *exams: Exam) -> tuple[SendSummary, str]:
        with Outbox(tmp_path / f"{uuid4().hex}.db") as outbox:
            for one in exams:
                outbox.put(client.base_url, message_of(one, catalogue))
            summary = Sender(outbox, FhirTransport(client), parallel=1).run()
            return summary, "; ".join(str(why) for row in outbox.rows(State.DEAD) for why in row.reasons)

    return sent


Send = Callable[..., tuple[SendSummary, str]]


def found(one: Exam, changes: dict[str, dict[str, Any] | None], *more: Finding) -> Exam:
    """The exam with the findings of some items changed, left out (None), or added."""
    kept = [f for f in one.findings if changes.get(f.item, {}) is not None]
    findings = [f.model_copy(update=changes.get(f.item) or {}) for f in kept]
    return one.model_copy(update={"findings": (*findings, *more)})


def detailed(one: Exam, **changes: Any) -> Exam:
    return one.model_copy(update={"details": one.details.model_copy(update=changes)})


def told(one: Exam, words: str) -> Exam:
    telling = Telling(line="grunting", at=STARTED + timedelta(hours=1), to=NURSE, words=words)
    return one.model_copy(update={"told": (telling,)})


KG = Quantity(value=Decimal("3.20"), unit="kg")
SLOW = Quantity(value=Decimal(44), unit="/min", comparator="<")
TWICE = Finding(item="grunting", value="absent", observed_at=STARTED + timedelta(minutes=3))

OTHERS: list[tuple[str, Callable[[Exam], Exam], str]] = [
    ("another number", lambda e: exam(e.details.id[2:], rate=66), "respiratory_rate"),
    ("another answer", lambda e: found(e, {"grunting": {"value": "audible_unaided"}}), "grunting"),
    ("not examined there", lambda e: exam(e.details.id[2:], crying=True), "femoral_pulse right"),
    ("a finding less", lambda e: exam(e.details.id[2:], cry=False), "cry"),
    ("a finding more", lambda e: found(e, {}, Finding(item="murmur", value="none_heard")), "murmur"),
    ("found twice", lambda e: found(e, {}, TWICE), "grunting"),
    ("another unit's number", lambda e: found(e, {"birth_weight": {"value": KG}}), "birth_weight"),
    ("less than", lambda e: found(e, {"respiratory_rate": {"value": SLOW}}), "respiratory_rate"),
    ("another time", lambda e: found(e, {"cry": {"observed_at": STARTED + timedelta(minutes=9)}}), "cry"),
    ("another state", lambda e: found(e, {"respiratory_rate": {"state": "crying"}}), "respiratory_rate"),
    ("another count", lambda e: found(e, {"respiratory_rate": {"counted_seconds": Decimal(30)}}), "respiratory_rate"),
    ("another place", lambda e: found(e, {"temperature": {"site": "rectum"}}), "temperature"),
    ("another note", lambda e: found(e, {"cry": {"note": "Soft."}}), "cry"),
    ("the nurse's own urgency", lambda e: found(e, {"cry": {"urgency": Urgency.TELL_NOW}}), "cry"),
    ("another kind", lambda e: detailed(e, kind="discharge"), "the kind or the time of the exam"),
    ("another end", lambda e: detailed(e, ended=STARTED + timedelta(minutes=9)), "the kind or the time of the exam"),
]


def held_there(ours: Exam, theirs: Exam, catalogue: Catalogue) -> tuple[Transaction, Holding]:
    """What is sent, and what a server holds that was sent the other."""
    sent, kept = transaction_of(ours, catalogue), transaction_of(theirs, catalogue)
    parts = zip(kept.names, kept.entries(), strict=True)
    there = {name: {**entry["resource"], "id": entry["fullUrl"]} for name, entry in parts}
    own = [[there.pop(name)] if name in there else [] for name in sent.names]
    extra = [one for one in there.values() if one["resourceType"] == "Observation"]
    return sent, Holding(sent.entries(), sent.shared, own, extra, same_version=True)


def refused(ours: Exam, theirs: Exam, catalogue: Catalogue) -> None:
    """Raise what is raised where a server holds the other."""
    sent, holding = held_there(ours, theirs, catalogue)
    with Shows(holding) as client:
        refuse_other_content(client, sent, holding)


class Shows(FhirClient):
    """A server that shows by a read what it was found to hold."""

    def __init__(self, holding: Holding) -> None:
        super().__init__("http://127.0.0.1:9")
        every = [*holding.extra, *(one for found in holding.found for one in found)]
        self._held = {one["id"]: one for one in every}

    def read(self, type_: str, id_: str) -> Json:
        return self._held[id_]


@pytest.mark.parametrize(("other", "named"), [case[1:] for case in OTHERS], ids=[case[0] for case in OTHERS])
def test_other_content_is_known_by_the_names_of_items(
    other: Callable[[Exam], Exam], named: str, catalogue: Catalogue
) -> None:
    """Whichever of the two was there first."""
    one, two = exam("k"), other(exam("k"))
    for ours, theirs in ((one, two), (two, one)):
        with pytest.raises(Held) as held:
            refused(ours, theirs, catalogue)
        [problem] = held.value.problems
        assert problem.what == f"the server already holds exam x-k with other content ({named})"
        assert problem.remedy.endswith("amends: x-k")
        refused(ours, ours, catalogue)


def test_nothing_of_it_is_written(alone: FhirClient, send: Send, catalogue: Catalogue) -> None:
    key = uuid4().hex[:10]
    first, other = exam(key), exam(key, rate=66, cry=False)
    assert send(alone, first) == (SENT, "")
    before = observations(alone, first)
    planned = FhirTransport(alone).preview(message_of(other, catalogue))
    assert [problem.rule for problem in planned.held] == ["id-taken"]
    summary, said = send(alone, other)
    assert summary == HELD
    assert "with other content (respiratory_rate, cry)" in said
    assert observations(alone, first) == before


def test_a_telling_is_content_too(alone: FhirClient, send: Send) -> None:
    first = exam(uuid4().hex[:10])
    assert send(alone, told(first, "Grunts.")) == (SENT, "")
    assert send(alone, told(first, "Grunts.")) == (SENT, "")
    summary, said = send(alone, told(first, "Is well."))
    assert (summary, "with other content (telling of grunting)" in said) == (HELD, True)


def test_the_same_content_passes_and_may_be_amended(client: FhirClient, send: Send) -> None:
    """The sandbox, and a server that nobody here wrote; the last is what the refusal says to do."""
    first = exam(uuid4().hex[:10])
    for one in (first, first, found(first, {"birth_weight": {"value": Quantity(value=Decimal("3.1"), unit="kg")}})):
        assert send(client, one) == (SENT, "")
    assert set(statuses(observations(client, first)).values()) == {"final"}
    assert send(client, exam(first.details.id[2:], rate=66), amended(first))[0] == SendSummary(sent=1, held=1)
    assert send(client, amended(first)) == (SENT, "")
    summary, said = send(client, amended(first, rate=53))
    assert summary == HELD
    assert f"holds exam {first.details.id}-v2 with other content (respiratory_rate)" in said


def changed(client: FhirClient, resource: Json) -> None:
    url = f"{resource['resourceType']}/{resource['id']}"
    client.carry_out({"fullUrl": "", "resource": resource, "request": {"method": "PUT", "url": url}})


def deleted(client: FhirClient, resources: Sequence[Json]) -> None:
    for one in resources:
        try:
            client.ask("DELETE", client.own(f"{client.base_url}/{one['resourceType']}/{one['id']}"))
        except ServerRefused as refused:
            if refused.status == 409:
                pytest.skip("the server lets nothing go that others refer to")
            raise


def normalised(resource: Json) -> Json:
    """As a server may keep it: codings in another order, without a display or what was chosen, a moment in UTC, no
    zeros at the end, a narrative and tags of its own."""

    def kept(node: Any, key: str = "") -> Any:
        if isinstance(node, dict):
            inner = {name: kept(value, name) for name, value in node.items()}
            return (
                {n: v for n, v in inner.items() if n not in ("display", "userSelected")} if "code" in node else inner
            )
        if isinstance(node, list):
            return [kept(value) for value in (reversed(node) if key == "coding" else node)]
        if isinstance(node, Decimal):
            return node.normalize()
        return "2026-03-01T07:30:00.000Z" if node == "2026-03-01T08:30:00+01:00" else node

    text = {"status": "generated", "div": '<div xmlns="http://www.w3.org/1999/xhtml">Kept.</div>'}
    made: Json = kept(resource)
    return {**made, "meta": {"tag": [{"system": "urn:oid:2.999.9", "code": "kept"}]}, "text": text}


def test_what_a_server_makes_of_it_is_no_other_content(alone: FhirClient, send: Send) -> None:
    first = found(exam(uuid4().hex[:10]), {"respiratory_rate": {"state": "crying", "counted_seconds": Decimal(60)}})
    first = found(first, {}, Finding(item="hip_abduction", side=Side.LEFT, value="full_equal"), TWICE)
    assert send(alone, first) == (SENT, "")
    for same in observations(alone, first).values():
        changed(alone, normalised(same[0]))
    assert send(alone, first) == (SENT, "")
    again = first.model_copy(update={"findings": first.findings[::-1]})
    assert send(alone, again) == (SENT, ""), "the order of findings is no content"


def test_what_is_there_in_part_is_completed_unless_it_differs(alone: FhirClient, send: Send) -> None:
    """As an interrupted sender, or a server that was restored, leaves it."""
    first = exam(uuid4().hex[:10])
    root = first.details.id
    assert send(alone, first) == (SENT, "")
    whole = observations(alone, first)
    for lost in (["cry"], ["respiratory_rate", "panel/respiratory", "panel/vital_signs"]):
        deleted(alone, [one for name in lost for one in observations(alone, first)[f"{root}/{name}"]])
        assert send(alone, exam(first.details.id[2:], crying=True))[0] == HELD
        assert send(alone, first) == (SENT, "")
        assert observations(alone, first).keys() == whole.keys()
    deleted(alone, [*alone.search("DiagnosticReport", {"identifier": root})])
    deleted(alone, observations(alone, first)[f"{root}/cry"])
    left = observations(alone, first)
    assert send(alone, exam(first.details.id[2:], rate=66))[0] == HELD
    assert observations(alone, first) == left, "what it lacks is not brought before the difference is seen"
    assert not [*alone.search("DiagnosticReport", {"identifier": root})]
    assert send(alone, first) == (SENT, "")
    assert len(observations(alone, first)) == len(whole)


def test_what_was_taken_back_there_is_not_brought_back(alone: FhirClient, send: Send) -> None:
    first = exam(uuid4().hex[:10])
    assert send(alone, first) == (SENT, "")
    [cry] = observations(alone, first)[f"{first.details.id}/cry"]
    changed(alone, {**cry, "status": "entered-in-error"})
    assert send(alone, first)[0] == HELD
