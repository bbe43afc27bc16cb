"""Whose findings are they? Mix-ups of newborns, each with what must happen, against the sandbox.

Kinds of mix-ups: The Joint Commission, R3 Report 17 (2018), distinct newborn identification; Pennsylvania Patient
Safety Authority 2016. FHIR R4 Patient (8.1): link, active, deceased[x], multipleBirth[x]. All newborns are invented.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

import httpx
import pytest
from sent_exams import amended, exam, retracted

from adapter.catalogue import Catalogue
from adapter.exam import BirthOrder, Exam, Identifier, Mother, Sex
from adapter.fhir.people import BIRTH_TIME, ROLE_CODE
from adapter.sandbox import Store, running
from adapter.send import FhirClient, FhirTransport, Outbox, Sender, SendSummary, State, message_of
from adapter.send.rest.answers import ServerRefused
from adapter.send.rest.capability import Mode, learn
from adapter.send.rest.newborn import Wanted

Json = dict[str, Any]
SYSTEM = "urn:oid:2.999.1"


@pytest.fixture
def client(one_server: str) -> Iterator[FhirClient]:
    with FhirClient(one_server) as made:
        yield made


def there(key: str, **changes: Any) -> Json:
    """The hospital's own record of newborn ``key``, as the exam has it but for the changes; None takes out."""
    birth = {"extension": [{"url": BIRTH_TIME, "valueDateTime": "2026-02-28T22:30:00+01:00"}]}
    patient = {
        "resourceType": "Patient",
        "identifier": [{"system": SYSTEM, "value": f"baby-{key}"}],
        "active": True,
        "gender": "female",
        "birthDate": "2026-02-28",
        "_birthDate": birth,
        "multipleBirthInteger": 1,
    } | changes
    return {name: value for name, value in patient.items() if value is not None}


def born(moment: str) -> Json:
    return {"extension": [{"url": BIRTH_TIME, "valueDateTime": moment}]}


def first_twin(key: str) -> Exam:
    return with_newborn(exam(key), birth_order=BirthOrder(order=1, of=2))


def with_newborn(one: Exam, **changes: Any) -> Exam:
    return one.model_copy(update={"newborn": one.newborn.model_copy(update=changes)})


def create(client: FhirClient, resource: Json) -> str:
    full_url = f"urn:uuid:{uuid4()}"
    entry = {
        "fullUrl": full_url,
        "resource": resource,
        "request": {"method": "POST", "url": resource["resourceType"]},
    }
    [made] = client.transaction({"resourceType": "Bundle", "type": "transaction", "entry": [entry]})
    return made.place


def laid(client: FhirClient, resource: Json) -> str:
    """As :func:`create`; a server that refuses such a record cannot hold the mix-up."""
    try:
        return create(client, resource)
    except ServerRefused as refused:
        if refused.status == 400:
            pytest.skip("the server takes no link that leads nowhere it knows")
        raise


def put(client: FhirClient, place: str, resource: Json) -> None:
    content = {**resource, "id": place.partition("/")[2]}
    client.carry_out({"fullUrl": "", "resource": content, "request": {"method": "PUT", "url": place}})


def send(client: FhirClient, catalogue: Catalogue, folder: Path, *exams: Exam, made: bool = True) -> SendSummary:
    """By an outbox that knows of nothing before."""
    with Outbox(folder / f"{uuid4().hex}.db") as outbox:
        for one in exams:
            outbox.put(client.base_url, message_of(one, catalogue))
        summary = Sender(outbox, FhirTransport(client, Wanted(made=made))).run()
        for row in outbox.rows(State.DEAD):
            assert {reason.rule for reason in row.reasons} == {"not-this-newborn"}
            said = " ".join(str(reason) for reason in row.reasons)
            assert not [value for value in ("baby-", "2026-", "female") if value in said], "facts by name, no values"
        return summary


def findings_of(client: FhirClient, place: str) -> int:
    return len(list(client.search("Observation", {"subject": place, "_count": "200"})))


SENT, HELD = SendSummary(sent=1), SendSummary(held=1)


@dataclass(frozen=True)
class Case:
    """The hospital's record, changed in this; the exam's newborn, in that; and what must happen."""

    name: str
    there: Json = field(default_factory=dict)
    newborn: Json = field(default_factory=dict)
    passes: bool = False


CASES = [
    Case("all agrees", passes=True),
    Case("the other sex", {"gender": "male"}),
    Case("the other sex, captured", newborn={"sex": Sex.MALE}),
    Case("sex not known to the server", {"gender": "unknown"}, passes=True),
    Case("sex not given by the server", {"gender": None}, passes=True),
    Case("sex not known to the nurse", newborn={"sex": Sex.UNKNOWN}, passes=True),
    Case("sex recorded as other", {"gender": "other"}),
    Case("born the day before", {"birthDate": "2026-02-27", "_birthDate": None}),
    Case("born the day after", {"birthDate": "2026-03-01", "_birthDate": None}),
    Case("another year", {"birthDate": "2025", "_birthDate": None}),
    Case("another month", {"birthDate": "2026-01", "_birthDate": None}),
    Case("only the right month and the sex and order", {"birthDate": "2026-02", "_birthDate": None}, passes=True),
    Case("no date of birth, sex and order agree", {"birthDate": None, "_birthDate": None}, passes=True),
    Case("one minute later", {"_birthDate": born("2026-02-28T22:31:00+01:00")}),
    Case("a twin's hour", {"_birthDate": born("2026-02-28T23:05:00+01:00")}),
    Case("the same moment in UTC", {"_birthDate": born("2026-02-28T21:30:00Z")}, passes=True),
    Case("seconds are no difference", {"_birthDate": born("2026-02-28T22:30:40+01:00")}, passes=True),
    Case(
        "the same moment, another day where the server stands",
        {"birthDate": "2026-03-01", "_birthDate": born("2026-03-01T06:30:00+09:00")},
        passes=True,
    ),
    Case("no time of birth", {"_birthDate": None}, passes=True),
    Case("a day for a time", {"_birthDate": born("2026-02-28")}, passes=True),
    Case("the second twin", {"multipleBirthInteger": 2}),
    Case("the second twin, captured", newborn={"birth_order": BirthOrder(order=2, of=2)}),
    Case("a single birth there", {"multipleBirthInteger": None, "multipleBirthBoolean": False}),
    Case("one of several there", {"multipleBirthInteger": None, "multipleBirthBoolean": True}, passes=True),
    Case("no order there", {"multipleBirthInteger": None}, passes=True),
    Case("no order captured", newborn={"birth_order": None}, passes=True),
    Case("only the order agrees", {"gender": None, "birthDate": None, "_birthDate": None}),
    Case("only the sex agrees", {"birthDate": None, "_birthDate": None, "multipleBirthInteger": None}),
    Case(
        "nothing but the number",
        {"gender": None, "birthDate": None, "_birthDate": None, "multipleBirthInteger": None},
    ),
    Case(
        "date and time alone",
        {"gender": None, "multipleBirthInteger": None},
        passes=True,
    ),
    Case("inactive", {"active": False}),
    Case("active is not said", {"active": None}, passes=True),
    Case("died before the exam began", {"deceasedDateTime": "2026-03-01T02:00:00+01:00"}),
    Case("died before it, by the clock of another zone", {"deceasedDateTime": "2026-03-01T09:20:00+03:00"}),
    Case("died after it, by the clock of another zone", {"deceasedDateTime": "2026-03-01T07:40:00Z"}, passes=True),
    Case("died after it, in UTC", {"deceasedDateTime": "2026-03-01T07:31:00.000Z"}, passes=True),
    Case("died a day after it", {"deceasedDateTime": "2026-03-02"}, passes=True),
    Case("died, nobody says when", {"deceasedBoolean": True}, passes=True),
    Case("not dead", {"deceasedBoolean": False}, passes=True),
    Case(
        "two days older and of the other sex",
        {"gender": "male", "birthDate": "2026-02-26", "_birthDate": None},
    ),
    Case(
        "the mother's record",
        {"gender": "female", "birthDate": "1994-06-01", "_birthDate": None, "multipleBirthInteger": None},
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_facts_are_compared(case: Case, client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    key = uuid4().hex[:10]
    place = create(client, there(key, **case.there))
    one = with_newborn(first_twin(key), **case.newborn)
    assert send(client, catalogue, tmp_path, one, made=False) == (SENT if case.passes else HELD)
    assert (findings_of(client, place) > 0) == case.passes
    assert len(list(client.search("Patient", {"identifier": f"{SYSTEM}|baby-{key}"}))) == 1
    assert send(client, catalogue, tmp_path, one, made=False) == (SENT if case.passes else HELD), "and again"


def test_no_newborn_is_made_where_none_may_be(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    key = uuid4().hex[:10]
    assert send(client, catalogue, tmp_path, exam(key), made=False) == HELD
    assert not list(client.search("Patient", {"identifier": f"{SYSTEM}|baby-{key}"}))
    assert send(client, catalogue, tmp_path, exam(key), made=True) == SENT


def test_what_is_held_holds_up_no_other(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    keys = [uuid4().hex[:10] for _ in range(5)]
    for key in keys[:4]:
        create(client, there(key, gender="male"))
    assert send(client, catalogue, tmp_path, *map(exam, keys)) == SendSummary(sent=1, held=4)


def test_two_patients_of_one_number(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    key = uuid4().hex[:10]
    places = [create(client, there(key)) for _ in range(2)]
    assert send(client, catalogue, tmp_path, exam(key)) == HELD
    assert [findings_of(client, place) for place in places] == [0, 0]


def test_numbers_that_lead_to_two_patients(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    key, other = uuid4().hex[:10], uuid4().hex[:10]
    places = [create(client, there(key)), create(client, there(other))]
    numbers = (*exam(key).newborn.identifiers, *exam(other).newborn.identifiers)
    assert send(client, catalogue, tmp_path, with_newborn(exam(key), identifiers=numbers)) == HELD
    assert [findings_of(client, place) for place in places] == [0, 0]


@pytest.mark.parametrize("final_first", [True, False])
def test_a_provisional_number_and_the_final_one(
    final_first: bool, client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    """Sent under the provisional number, then the hospital gives the final one; the record carries both."""
    key = uuid4().hex[:10]
    provisional, final = f"baby-{key}", f"final-{key}"
    one = exam(key)
    place = create(client, there(key))
    assert send(client, catalogue, tmp_path, one) == SENT
    numbers = [{"system": SYSTEM, "value": value} for value in (provisional, final)]
    put(client, place, there(key, identifier=numbers))
    order = (final, provisional) if final_first else (provisional, final)
    later = with_newborn(amended(one), identifiers=tuple(Identifier(system=SYSTEM, value=value) for value in order))
    before = findings_of(client, place)
    assert send(client, catalogue, tmp_path, later, made=False) == SENT
    assert findings_of(client, place) >= before
    assert len(list(client.search("Patient", {"identifier": f"{SYSTEM}|{final}"}))) == 1


def test_the_final_number_alone_finds_what_carries_both(
    client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    key = uuid4().hex[:10]
    numbers = [{"system": SYSTEM, "value": value} for value in (f"baby-{key}", f"final-{key}")]
    place = create(client, there(key, identifier=numbers))
    one = exam(key)
    final = (Identifier(system=SYSTEM, value=f"final-{key}"),)
    assert send(client, catalogue, tmp_path, one) == SENT
    assert send(client, catalogue, tmp_path, with_newborn(amended(one), identifiers=final)) == SENT
    assert findings_of(client, place) > 0


def merged(client: FhirClient, key: str, other: str, **changes: Any) -> tuple[str, str]:
    """A record that was replaced by another with another number."""
    survivor = create(client, there(other, **changes))
    link = [{"other": {"reference": survivor}, "type": "replaced-by"}]
    return create(client, there(key, active=False, link=link)), survivor


def test_a_merged_record_is_followed(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    key = uuid4().hex[:10]
    replaced, survivor = merged(client, key, uuid4().hex[:10])
    assert send(client, catalogue, tmp_path, exam(key)) == SENT
    assert findings_of(client, survivor) > 0
    assert findings_of(client, replaced) == 0


def test_the_survivor_is_compared_too(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    key = uuid4().hex[:10]
    _, survivor = merged(client, key, uuid4().hex[:10], gender="male")
    assert send(client, catalogue, tmp_path, exam(key)) == HELD
    assert findings_of(client, survivor) == 0


def test_an_exam_from_before_the_merger_is_amended(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    key, other = uuid4().hex[:10], uuid4().hex[:10]
    one = exam(key)
    replaced = create(client, there(key))
    assert send(client, catalogue, tmp_path, one) == SENT
    survivor = create(client, there(other))
    link = [{"other": {"reference": survivor}, "type": "replaced-by"}]
    put(client, replaced, there(key, active=False, link=link))
    assert send(client, catalogue, tmp_path, amended(one)) == SENT
    left = client.search("Observation", {"subject": replaced})
    assert {resource["status"] for resource in left} == {"entered-in-error"}, "the cry, which it holds no more"
    assert findings_of(client, survivor) > 0


@pytest.mark.parametrize("target", ["Patient/nobody", "RelatedPerson/mother", ""])
def test_a_link_that_leads_nowhere(target: str, client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    key = uuid4().hex[:10]
    other = {"reference": target} if target else {"display": "somebody"}
    place = laid(client, there(key, link=[{"other": other, "type": "replaced-by"}]))
    assert send(client, catalogue, tmp_path, exam(key)) == HELD
    assert findings_of(client, place) == 0


def test_a_link_to_another_server_or_to_two_records(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    """An id of another server is another newborn's here, who agrees in all that can be compared."""
    key, other, third = (uuid4().hex[:10] for _ in range(3))
    stranger, second = create(client, there(other)), create(client, there(third))
    two = uuid4().hex[:10]
    links = [{"other": {"reference": place}, "type": "replaced-by"} for place in (stranger, second)]
    create(client, there(two, active=False, link=links))
    assert send(client, catalogue, tmp_path, exam(two)) == HELD
    assert findings_of(client, stranger) == findings_of(client, second) == 0
    here = uuid4().hex[:10]
    whole = [{"other": {"reference": f"{client.base_url}/{stranger}/_history/1"}, "type": "replaced-by"}]
    laid(client, there(here, active=False, link=whole))
    assert send(client, catalogue, tmp_path, exam(here)) == SENT
    before = findings_of(client, stranger)
    assert before > 0
    away = [{"other": {"reference": f"https://elsewhere.invalid/fhir/{stranger}"}, "type": "replaced-by"}]
    laid(client, there(key, active=False, link=away))
    assert send(client, catalogue, tmp_path, exam(key)) == HELD
    assert findings_of(client, stranger) == before


ENDED = {"period": {"end": "2026-02-28T23:30:00+01:00"}}


@pytest.mark.parametrize("gone", [{"use": "old"}, ENDED], ids=["old", "ended"])
def test_a_number_that_was_given_on(gone: Json, client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    """R4 identifier-use: an ``old`` number belongs to the record no more, and another may have it."""
    key = uuid4().hex[:10]
    number = {"system": SYSTEM, "value": f"baby-{key}"}
    before = create(client, there(key, identifier=[{**number, **gone}]))
    less = with_newborn(exam(key), birth_order=None)
    assert send(client, catalogue, tmp_path, less, made=False) == SENT, "sex, date and time agree: its first number"
    findings = findings_of(client, before)
    now = create(client, there(key, identifier=[{**number, "use": "usual"}]))
    other = less.model_copy(update={"details": less.details.model_copy(update={"id": f"y-{key}"})})
    assert send(client, catalogue, tmp_path, other, made=False) == SENT
    assert (findings_of(client, before), findings_of(client, now) > 0) == (findings, True)
    key = uuid4().hex[:10]
    doubtful = [{"system": SYSTEM, "value": f"baby-{key}", **gone}]
    place = create(client, there(key, identifier=doubtful, _birthDate=None))
    assert send(client, catalogue, tmp_path, with_newborn(exam(key), birth_order=None), made=False) == HELD
    assert findings_of(client, place) == 0


@pytest.mark.parametrize("known", [True, False], ids=["the other is there", "the other is not"])
def test_no_amendment_moves_an_exam_to_another_newborn(
    known: bool, client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    key, other = uuid4().hex[:10], uuid4().hex[:10]
    one = exam(key)
    place = create(client, there(key))
    assert send(client, catalogue, tmp_path, one) == SENT
    before = findings_of(client, place)
    if known:
        create(client, there(other))
    moved = with_newborn(amended(one), identifiers=exam(other).newborn.identifiers)
    assert send(client, catalogue, tmp_path, moved) == HELD
    assert findings_of(client, place) == before


def test_what_stands_with_the_wrong_infant_can_be_taken_back(
    client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    """It was sent, and then the hospital's record was put right: a boy's. The retraction goes through."""
    key = uuid4().hex[:10]
    place = create(client, there(key))
    one = exam(key)
    assert send(client, catalogue, tmp_path, one) == SENT
    put(client, place, there(key, gender="male", birthDate="2026-02-26", _birthDate=None))
    assert send(client, catalogue, tmp_path, amended(one)) == HELD
    assert send(client, catalogue, tmp_path, retracted(one)) == SENT
    found = client.search("Observation", {"subject": place, "_count": "200"})
    assert {resource["status"] for resource in found} == {"entered-in-error"}


def test_ids_of_a_restored_server_lead_to_nobody(catalogue: Catalogue, tmp_path: Path) -> None:
    """The outbox knows where Observations were; behind the same address other newborns' have their ids now."""
    key, other = "restored", "neighbour"
    one = exam(key)
    store = Store(None)
    with running(store) as address, FhirClient(address) as client, Outbox(tmp_path / "outbox.db") as outbox:
        outbox.put(address, message_of(one, catalogue))
        assert Sender(outbox, FhirTransport(client)).run() == SENT
        ours = {part.name.partition(" ")[2]: part.place for row in outbox.rows() for part in row.parts}
        # What another newborn's exam has, under the ids that ours had.
        assert send(client, catalogue, tmp_path, exam(other)) == SENT
        [neighbour] = client.search("Patient", {"identifier": f"{SYSTEM}|baby-{other}"})
        theirs = list(client.search("Observation", {"patient": neighbour["id"], "_count": "200"}))
        swapped = []
        for resource in theirs:
            value = resource["identifier"][0]["value"].replace(f"x-{other}", f"x-{key}")
            if value in ours and "/panel/" not in value:
                swapped.append(ours[value])
                put(client, ours[value], resource)
        assert swapped
        outbox.put(address, message_of(amended(one), catalogue))
        Sender(outbox, FhirTransport(client)).run()
        for place in swapped:
            now = client.read(*place.split("/"))
            assert now["subject"]["reference"].endswith(neighbour["id"])
            assert now["status"] == "final"


def test_the_wards_encounter_is_the_newborns(tmp_path: Path, catalogue: Catalogue, client: FhirClient) -> None:
    key, other = uuid4().hex[:10], uuid4().hex[:10]
    mother = create(client, there(other))
    create(client, there(key))
    token = {"system": "urn:oid:2.999.3", "value": f"stay-{key}"}
    stay = {
        "resourceType": "Encounter",
        "identifier": [token],
        "status": "in-progress",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": mother},
    }
    place = create(client, stay)
    one = exam(key)
    details = one.details.model_copy(update={"encounter": Identifier(**token)})
    one = one.model_copy(update={"details": details})
    assert send(client, catalogue, tmp_path, one) == HELD
    [patient] = client.search("Patient", {"identifier": f"{SYSTEM}|baby-{key}"})
    put(client, place, {**stay, "subject": {"reference": f"Patient/{patient['id']}"}})
    assert send(client, catalogue, tmp_path, one) == SENT


def mothered(one: Exam, number: str, mother: str | None) -> Exam:
    """The exam with these numbers of the newborn and of the mother."""
    of_mother = Mother(identifiers=(Identifier(system=SYSTEM, value=mother),)) if mother else None
    return with_newborn(one, identifiers=(Identifier(system=SYSTEM, value=number),), mother=of_mother)


def test_the_mothers_number_makes_no_second_newborn(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    """Persons may be made; mother and newborn are known from an exam before."""
    key, twin = uuid4().hex[:10], uuid4().hex[:10]
    baby, mother = f"baby-{key}", f"mother-{key}"
    assert send(client, catalogue, tmp_path, exam(key)) == SENT
    create(client, there(twin))
    later = exam(f"{key}-later")
    for number, of_mother in ((mother, None), (mother, f"another-{key}"), (mother, baby), (baby, f"baby-{twin}")):
        assert send(client, catalogue, tmp_path, mothered(later, number, of_mother)) == HELD, (number, of_mother)
        if number == mother:
            assert not list(client.search("Patient", {"identifier": f"{SYSTEM}|{mother}"}))
    create(
        client, there(key, identifier=[{"system": SYSTEM, "value": mother}], birthDate="1994-06-01", _birthDate=None)
    )
    assert send(client, catalogue, tmp_path, mothered(later, baby, mother)) == SENT, "the mother is a patient too"
    wrong = mothered(exam(f"{key}-wrong"), mother, None)
    assert send(client, catalogue, tmp_path, wrong) == HELD, "her own record is no newborn's"


def test_a_newborn_who_is_somebodys_child_is_made(client: FhirClient, catalogue: Catalogue, tmp_path: Path) -> None:
    """R4 RelatedPerson is of a mother's record as well, with the child in it."""
    key = uuid4().hex[:10]
    place = create(client, {"resourceType": "Patient", "gender": "female", "birthDate": "1994-06-01"})
    child = {
        "resourceType": "RelatedPerson",
        "identifier": [{"system": SYSTEM, "value": f"baby-{key}"}],
        "patient": {"reference": place},
        "relationship": [{"coding": [{"system": ROLE_CODE, "code": "CHILD"}]}],
    }
    create(client, child)
    assert send(client, catalogue, tmp_path, exam(key)) == SENT


class Meanwhile(httpx.HTTPTransport):
    """Before a Bundle that writes, ``happens`` does; one of searches is answered from what was found before."""

    def __init__(self, happens: Callable[[], object]) -> None:
        super().__init__()
        self.happens, self.kept = happens, dict[str, Json]()

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        content = request.read()
        if b'"ifNoneExist"' in content:
            self.happens()
        if b'"method":"GET"' not in content:
            return super().handle_request(request)
        response = super().handle_request(request)
        answer = json.loads(response.read())
        asked = [one["request"]["url"] for one in json.loads(content)["entry"]]
        answer["entry"] = [self.kept.setdefault(url, one) for url, one in zip(asked, answer["entry"], strict=True)]
        return httpx.Response(response.status_code, json=answer)


@pytest.mark.parametrize("changes", [{}, {"gender": "male"}], ids=["the same newborn", "another newborn"])
def test_a_newborn_made_by_another_meanwhile(
    changes: Json, client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    """No server can be told to refuse it: it is compared afterwards, and said."""
    key = uuid4().hex[:10]

    def made() -> None:
        if not list(client.search("Patient", {"identifier": f"{SYSTEM}|baby-{key}"})):
            create(client, there(key, **changes))

    with FhirClient(client.base_url, transport=Meanwhile(made)) as slow:
        assert send(slow, catalogue, tmp_path, exam(key)) == (HELD if changes else SENT)


def test_what_a_server_found_a_minute_ago_is_not_taken(
    client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    """A server that keeps what searches in a batch found: a newborn was not there, and then is, and is another."""
    key = uuid4().hex[:10]
    with FhirClient(client.base_url, transport=Meanwhile(lambda: None)) as keeping:
        assert send(keeping, catalogue, tmp_path, exam(key), made=False) == HELD
        create(client, there(key, gender="male"))
        assert send(keeping, catalogue, tmp_path, exam(key)) == HELD
    assert not list(client.search("DiagnosticReport", {"identifier": f"x-{key}"}))


def test_one_more_request_an_exam(one_server: str, catalogue: Catalogue, tmp_path: Path) -> None:
    """The report, the newborn (and with that whether anything of the exam is there, and of one who is made: is it no
    mother?), the transaction; beside the one question of what the server can do. Where it takes no Bundles the last
    question is one more; where it takes no transactions of this size, what is written is several batches."""

    class Counting(httpx.HTTPTransport):
        asked: list[str] = []

        def handle_request(self, request: httpx.Request) -> httpx.Response:
            self.asked.append(f"{request.method} {request.url.path.rpartition('/')[2] or 'fhir'}")
            return super().handle_request(request)

    with FhirClient(one_server, transport=Counting()) as client:
        assert send(client, catalogue, tmp_path, exam(uuid4().hex[:10])) == SENT
    with FhirClient(one_server) as client:
        able = learn(client)
    asked = ["POST fhir"] if able.asks_in else ["GET Patient", "GET RelatedPerson"]
    before = ["GET metadata", "GET DiagnosticReport", *asked]
    assert Counting.asked[: len(before)] == before
    assert able.mode is not Mode.TRANSACTION or Counting.asked[len(before) :] == ["POST fhir"]
