"""An exam on the wrong newborn, put right in one step: the retraction on the first, anew on the right one.

Both on the server or neither, wherever it is interrupted. FHIR R4 http.html 3.1.0.11.2 (a transaction is kept whole
or not at all), Provenance 6.3 (entity, role ``derivation``). All newborns are invented.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from io import BytesIO
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest
from on_server import observations
from sent_exams import amended, exam, newborn, retracted
from test_modes import Front, served

from adapter import NotReassigned, reassign
from adapter.catalogue import Catalogue
from adapter.exam import BirthOrder, Exam, Newborn, Sex
from adapter.fhir import to_bundle
from adapter.read import read, to_json
from adapter.read.bundle import from_bundle
from adapter.read.reassignment import Reassignment
from adapter.send import FhirClient, FhirTransport, Outbox, PutResult, Sender, SendSummary, State, message_of
from adapter.send.reassigning import queue_reassignment
from adapter.send.rest.lookup import place_of
from adapter.send.rest.newborn import Wanted
from adapter.write.v2 import to_oru

REASON = "Taken in the wrong cot."


@pytest.fixture
def url(one_server: str) -> str:
    return one_server


@pytest.fixture
def keys() -> tuple[str, str]:
    return uuid4().hex[:10], uuid4().hex[:10]


def made_of(keys: tuple[str, str], catalogue: Catalogue, one: Exam | None = None) -> Reassignment:
    return reassign(one or exam(keys[0]), newborn(keys[1]), f"anew-{keys[1]}", REASON, catalogue)


def active(client: FhirClient, keys: tuple[str, str]) -> tuple[int, int]:
    """How many findings each of the two newborns has that are not taken back."""
    counts = []
    for key in keys:
        patients = list(client.search("Patient", {"identifier": f"urn:oid:2.999.1|baby-{key}"}))
        places = [{"subject": place_of(one), "_count": "200"} for one in patients]
        found = [one for place in places for one in client.search("Observation", place)]
        counts.append(sum(one["status"] != "entered-in-error" for one in found))
    return counts[0], counts[1]


def sent(outbox: Outbox, transport: FhirTransport, one: Exam, catalogue: Catalogue) -> None:
    outbox.put(transport.target, message_of(one, catalogue))
    assert Sender(outbox, transport).run() == SendSummary(sent=1)


def test_each_record_leads_to_the_other_in_every_form(keys: tuple[str, str], catalogue: Catalogue) -> None:
    made = made_of(keys, catalogue)
    back, anew = made.taken_back.details, made.anew.details
    assert (back.status, back.amends, anew.status, anew.amends) == ("entered-in-error", f"x-{keys[0]}", "final", None)
    assert (anew.reassigned_from, anew.reason) == (f"x-{keys[0]}", REASON)
    assert anew.id in (back.reason or "")
    assert (made.taken_back.newborn, made.anew.newborn) == (newborn(keys[0]), newborn(keys[1]))
    for one in (made.taken_back, made.anew):
        [read_back] = from_bundle(to_bundle(one, catalogue), catalogue)
        assert read_back == one
        for form in (to_json(one), to_oru(one, catalogue)):
            [reading] = read(BytesIO(form), catalogue)
            assert reading.exam is not None
            assert (reading.exam.details, reading.exam.newborn) == (one.details, one.newborn)
    provenance = to_bundle(made.anew, catalogue)["entry"][-1]["resource"]
    assert provenance["reason"] == [{"text": REASON}]
    assert [(e["role"], e["what"]["identifier"]["value"]) for e in provenance["entity"]] == [
        ("source", anew.id),
        ("derivation", f"x-{keys[0]}"),
    ]


def twin(key: str, order: int, minutes: int = 0, **changes: object) -> Newborn:
    one = newborn(key)
    born = one.birth_time.replace(minute=one.birth_time.minute + minutes)
    mother = newborn("both").mother
    return one.model_copy(
        update={"birth_order": BirthOrder(order=order, of=2), "birth_time": born, "mother": mother, **changes}
    )


FIRST, SECOND = twin("first", 1), twin("second", 2, 5)
UNTOLD = {"birth_order": None}


@pytest.mark.parametrize(
    ("wrong", "right", "rule"),
    [
        (FIRST, SECOND, None),
        (SECOND, FIRST, None),
        (FIRST, twin("second", 2), None),
        (FIRST, FIRST, "same-newborn"),
        (FIRST, FIRST.model_copy(update={"sex": Sex.MALE}), "same-newborn"),
        (FIRST, twin("second", 1, 5), "twins-contradict"),
        (twin("first", 1, 10), SECOND, "twins-contradict"),
        (FIRST, twin("second", 2, 5, birth_order=BirthOrder(order=2, of=3)), "twins-contradict"),
        (twin("first", 1, **UNTOLD), twin("second", 2, **UNTOLD), "same-newborn"),
        (twin("first", 1, **UNTOLD), twin("second", 2, 5, **UNTOLD), None),
    ],
)
def test_twins(wrong: Newborn, right: Newborn, rule: str | None, catalogue: Catalogue) -> None:
    one = exam("first").model_copy(update={"newborn": wrong})
    if rule is None:
        assert reassign(one, right, "anew", REASON, catalogue).anew.newborn == right
        return
    with pytest.raises(NotReassigned) as refused:
        reassign(one, right, "anew", REASON, catalogue)
    assert [problem.rule for problem in refused.value.problems] == [rule]


def test_what_cannot_be_is_refused_in_words(keys: tuple[str, str], catalogue: Catalogue) -> None:
    one, right = exam(keys[0]), newborn(keys[1])
    later = right.model_copy(update={"birth_time": one.details.started.replace(hour=20)})
    cases = [
        (retracted(one), right, "anew", REASON, "already-retracted"),
        (one, right, "anew", "  ", "reason-missing"),
        (one, right, one.details.id, REASON, "id-taken"),
        (amended(one), right, one.details.id, REASON, "id-taken"),
        (one, right, "no id", REASON, "unusable-id"),
        (one, later, "anew", REASON, "born-after-exam"),
    ]
    for wrong, of, new_id, reason, rule in cases:
        with pytest.raises(NotReassigned) as refused:
            reassign(wrong, of, new_id, reason, catalogue)
        assert rule in {problem.rule for problem in refused.value.problems}, rule


ABLE = {"transaction": ("transaction", "batch"), "batch": ("batch",), "one by one": ()}


@pytest.mark.parametrize("interactions", ABLE.values(), ids=ABLE)
def test_both_arrive_whatever_the_server_can(
    interactions: tuple[str, ...], url: str, keys: tuple[str, str], catalogue: Catalogue, outbox: Outbox
) -> None:
    front = Front(url, interactions)
    with served(front) as through, FhirClient(through) as client:
        transport = FhirTransport(client)
        sent(outbox, transport, exam(keys[0]), catalogue)
        before = active(client, keys)[0]
        made = made_of(keys, catalogue)
        assert queue_reassignment(outbox, transport, made, catalogue) is PutResult.QUEUED
        front.seen.clear()
        assert Sender(outbox, transport).run() == SendSummary(sent=2)
        assert front.refused == []
        if "transaction" in interactions:
            assert sum(not one.startswith("GET") for one in front.seen) == 1, "one transaction"
        assert active(client, keys) == (0, before)
        for row in list(outbox.rows())[1:]:
            assert not transport.verify(outbox.message(row.seq))
        assert queue_reassignment(outbox, transport, made, catalogue) is PutResult.SENT_BEFORE


class Killed(BaseException):
    """What ends a process at once."""


@pytest.mark.parametrize("interactions", [ABLE["transaction"], ABLE["batch"]], ids=["transaction", "batch"])
@pytest.mark.parametrize("answered", [False, True], ids=["before the server has it", "after it"])
def test_ended_at_any_write_it_is_whole_after_the_next_run(
    interactions: tuple[str, ...],
    answered: bool,
    url: str,
    catalogue: Catalogue,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Killed at the n-th request that writes, or where there are many at every eighth; never do findings stand on
    both."""
    number, step, survived = 1, 1 if "transaction" in interactions else 8, False
    with served(Front(url, interactions)) as through, FhirClient(through) as client, FhirClient(url) as plain:
        direct, transport = FhirTransport(plain), FhirTransport(client)
        while not survived:
            keys = uuid4().hex[:10], uuid4().hex[:10]
            one = exam(keys[0])
            one = one.model_copy(update={"findings": one.findings[:1]})
            path = tmp_path / f"{number}.db"
            with Outbox(path) as outbox:
                sent(outbox, direct, one, catalogue)
                findings = active(plain, keys)[0]
                queue_reassignment(outbox, transport, made_of(keys, catalogue, one), catalogue)
            with monkeypatch.context() as patched, Outbox(path) as outbox:
                patched.setattr(httpx.Client, "send", ended_at(number, through, answered))
                with suppress(Killed):
                    survived = Sender(outbox, transport, parallel=1).run() == SendSummary(sent=2)
            left, moved = active(plain, keys)
            assert (left, moved) in [(findings, 0), (0, findings)] or (
                "batch" in interactions[:1] and not left * moved
            )
            with Outbox(path) as outbox:
                Sender(outbox, transport).run()
                assert {row.state for row in outbox.rows()} == {State.SENT}
            assert active(plain, keys) == (0, findings)
            number += step
        assert number > 1 + step


def ended_at(number: int, through: str, answered: bool) -> Callable[..., httpx.Response]:
    """A client's ``send`` that ends the process at the n-th request which writes, before or after its answer."""
    plain, writes = httpx.Client.send, iter(range(1, 1000))

    def send(own: httpx.Client, request: httpx.Request, **more: Any) -> httpx.Response:
        dies = str(request.url).startswith(through) and request.method != "GET" and next(writes) == number
        if dies and not answered:
            raise Killed
        found = plain(own, request, **more)
        if dies:
            raise Killed
        return found

    return send


def test_the_new_exam_waits_with_its_retraction(
    url: str, keys: tuple[str, str], catalogue: Catalogue, outbox: Outbox
) -> None:
    """The right newborn is not known to the server: neither is sent, and the first stands as it did."""
    with FhirClient(url) as client:
        sent(outbox, FhirTransport(client), exam(keys[0]), catalogue)
        before = active(client, keys)
        careful = FhirTransport(client, Wanted(made=False))
        queue_reassignment(outbox, careful, made_of(keys, catalogue), catalogue)
        assert Sender(outbox, careful).run() == SendSummary(held=1)
        assert Counter(row.state for row in outbox.rows()) == {State.SENT: 1, State.DEAD: 2}
        assert active(client, keys) == before
        last = outbox.last_number()
        assert outbox.retry(last), "one of the two is named, and both are tried again"
        assert Sender(outbox, FhirTransport(client)).run() == SendSummary(sent=2)
        assert active(client, keys) == (0, before[0])


def test_a_reassignment_given_up_is_given_up_whole(
    url: str, keys: tuple[str, str], catalogue: Catalogue, outbox: Outbox
) -> None:
    with FhirClient(url) as client:
        transport = FhirTransport(client)
        queue_reassignment(outbox, transport, made_of(keys, catalogue), catalogue)
        assert outbox.give_up(2, [])
        assert {row.state for row in outbox.rows()} == {State.DEAD}
        assert Sender(outbox, transport).run() == SendSummary()


def test_a_server_without_the_exam_has_nothing_to_take_back(
    url: str, keys: tuple[str, str], catalogue: Catalogue, outbox: Outbox
) -> None:
    with FhirClient(url) as client:
        transport = FhirTransport(client)
        queue_reassignment(outbox, transport, made_of(keys, catalogue), catalogue)
        assert Sender(outbox, transport).run() == SendSummary(held=1)
        assert [row.reasons[0].rule for row in outbox.rows()] == ["amends-unknown"] * 2
        assert active(client, keys) == (0, 0)


def test_not_the_newest_version_and_what_is_taken_back_already(
    url: str, keys: tuple[str, str], catalogue: Catalogue, outbox: Outbox, tmp_path: Path
) -> None:
    one = exam(keys[0])
    with FhirClient(url) as client:
        transport = FhirTransport(client)
        sent(outbox, transport, one, catalogue)
        sent(outbox, transport, amended(one), catalogue)
        with pytest.raises(NotReassigned, match="newer version"):
            queue_reassignment(outbox, transport, made_of(keys, catalogue), catalogue)
        with Outbox(tmp_path / "elsewhere.db") as elsewhere:
            queue_reassignment(elsewhere, transport, made_of(keys, catalogue), catalogue)
            assert Sender(elsewhere, transport).run() == SendSummary(held=1)
            assert next(elsewhere.rows()).reasons[0].rule == "not-the-newest"
        queue_reassignment(outbox, transport, made_of(keys, catalogue, amended(one)), catalogue)
        assert Sender(outbox, transport).run() == SendSummary(sent=2)
        assert not [o for o in observations(client, one).values() if o[0]["status"] != "entered-in-error"]
        third = keys[0], uuid4().hex[:10]
        with pytest.raises(NotReassigned, match="taken back already"):
            queue_reassignment(outbox, transport, made_of(third, catalogue), catalogue)
