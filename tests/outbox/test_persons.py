"""Whom an exam names is made, referred to, or left to an identifier, as site and target say; never a person too many.

FHIR R4 http.html 3.1.0.11.2: a conditional reference must find one resource, else the transaction fails. Reference
(references.html): literal and logical. Everybody is invented.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest
from click.testing import CliRunner, Result
from sent_exams import NURSE, amended, exam, retracted
from test_right_newborn import HELD, SENT, SYSTEM, create, findings_of, put, there, with_newborn

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.settings import Persons
from adapter.cli import cli as command
from adapter.exam import Exam, Examiner, Identifier
from adapter.fhir import BundleType, to_bundle
from adapter.read import to_json
from adapter.read.bundle import NotReadable, from_bundle
from adapter.sandbox import Store, running
from adapter.send import FhirClient, FhirTransport, Message, Outbox, Sender, SendSummary, message_of
from adapter.send.rest.answers import ServerRefused
from adapter.send.rest.fetch import fetch_exam
from adapter.send.rest.newborn import Wanted
from adapter.validate import validate

Json = dict[str, Any]
HOUSE, STAY, STAFF = "urn:oid:2.999.9", "urn:oid:2.999.3", "urn:oid:2.999.2"
SECOND = Examiner(name="M. Invented", role="midwife", identifier=Identifier(system=STAFF, value="M-2"))
UNKNOWN = Examiner(name="Somebody", role="midwife")
NOBODY = Persons(
    newborn="known",
    mother="known",
    examiners="known",
    encounter="known",
    organisation="known",
    device="known",
)
LOGICAL = Persons(
    newborn="known",
    mother="identifier",
    examiners="identifier",
    encounter="identifier",
    organisation="identifier",
    device="identifier",
)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
    folder = tmp_path_factory.mktemp("site")
    own = f"organisation: {{name: Invented, identifier: {{system: '{HOUSE}', value: h}}}}\n"
    folder.joinpath("site.yaml").write_text(own)
    return load_catalogue(folder)


@pytest.fixture
def url() -> Iterator[str]:
    with Store(None) as store, running(store) as found:
        yield found


@pytest.fixture
def client(url: str) -> Iterator[FhirClient]:
    with FhirClient(url) as made:
        yield made


def on_ward(key: str, *examiners: Examiner) -> Exam:
    """An exam that names an Encounter of the ward, by two nurses unless it is by others."""
    one = exam(key)
    by = examiners or (*one.details.examiners, SECOND)
    stay = Identifier(system=STAY, value=f"stay-{key}")
    return one.model_copy(update={"details": one.details.model_copy(update={"encounter": stay, "examiners": by})})


def holder(kind: str, system: str, value: str, **more: Any) -> Json:
    return {"resourceType": kind, "identifier": [{"system": system, "value": value}], **more}


def hospital(client: FhirClient, *named: str, key: str = "a") -> dict[str, str]:
    """The hospital's own records; ``mother 2`` and so on: a second one of the same identifier."""
    places: dict[str, str] = {}
    coded = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"}
    for name in ("newborn", "neighbour", *named):
        places[name] = create(client, _record(name.partition(" ")[0], key, places, {"class": coded}))
    return places


def _record(name: str, key: str, places: Mapping[str, str], ward: Json) -> Json:
    whose = places.get("neighbour" if name.startswith("neighbours-") else "newborn", "")
    about = {"reference": whose}
    match name.removeprefix("neighbours-"):
        case "newborn":
            return there(key)
        case "neighbour":
            return there("neighbour")
        case "mother":
            return holder("RelatedPerson", SYSTEM, f"mother-{key}", patient=about)
        case "nurse":
            return holder("Practitioner", STAFF, "N-1", name=[{"family": "As the house has it"}])
        case "midwife":
            return holder("Practitioner", STAFF, "M-2")
        case "house":
            return holder("Organization", HOUSE, "h", name="The house")
        case _:
            status = "entered-in-error" if name == "stay-in-error" else "in-progress"
            return holder("Encounter", STAY, f"stay-{key}", subject=about, status=status, **ward)


def counts(client: FhirClient) -> dict[str, int]:
    kinds = ("Patient", "RelatedPerson", "Practitioner", "Encounter", "Organization", "Device")
    return {kind: len(list(client.search(kind, {"_count": "50"}))) for kind in kinds}


@dataclass
class Sent:
    """What became of an exam, and what was said of it."""

    summary: SendSummary
    words: str
    message: Message
    problems: list[str] = field(default_factory=list)


def send(client: FhirClient, catalogue: Catalogue, folder: Path, one: Exam, wanted: Wanted) -> Sent:
    said: list[str] = []
    message = message_of(one, catalogue)
    with Outbox(folder / f"{one.details.id}.db") as outbox:
        outbox.put(client.base_url, message, again=True)
        transport = FhirTransport(client, wanted)
        sender = Sender(
            outbox, transport, on_event=lambda event: said.append(event.receipt.words if event.receipt else "")
        )
        summary = sender.run()
        reasons = [str(reason) for row in outbox.rows() for reason in row.reasons]
        problems = [str(problem) for problem in transport.verify(message)] if summary == SENT else []
    return Sent(summary, " ".join([*said, *reasons]), message, problems)


EVERYBODY = ("mother", "nurse", "midwife", "stay", "house")


@dataclass(frozen=True)
class Case:
    """Who is on the server, what is set, and what must happen: held or sent, whom the words name, who was made."""

    name: str
    there: tuple[str, ...] = EVERYBODY
    persons: Persons = NOBODY
    says: tuple[str, ...] = ()
    made: tuple[str, ...] = ()
    held: bool = False
    examiners: tuple[Examiner, ...] = ()


def without(*names: str) -> tuple[str, ...]:
    return tuple(name for name in EVERYBODY if name not in names)


def but(persons: Persons, **changes: str) -> Persons:
    return Persons.model_validate({**persons.model_dump(), **changes})


CASES = [
    Case("all are known", says=("this software (Device) is not on the server",)),
    Case("the mother is not", without("mother"), held=True, says=("the mother",)),
    Case("the mother is another's", (*without("mother"), "neighbours-mother"), held=True, says=("the mother",)),
    Case("the mother twice", (*EVERYBODY, "mother 2"), held=True, says=("the mother is there 2 times",)),
    Case("a neighbour has the same mother", (*EVERYBODY, "neighbours-mother")),
    Case("the Encounter is not", without("stay"), held=True, says=("the ward's Encounter",)),
    Case("the Encounter twice", (*EVERYBODY, "stay 2"), held=True, says=("Encounter is there 2 times",)),
    Case("the Encounter is another's", (*without("stay"), "neighbours-stay"), held=True, says=("another patient's",)),
    Case("the Encounter was an error", (*without("stay"), "stay-in-error"), held=True, says=("ward's Encounter",)),
    Case("neither of the two", without("stay", "mother"), held=True, says=("the ward's Encounter", "the mother")),
    Case("an examiner is not", without("midwife"), says=("examiner 2 of 2 is not on the server",)),
    Case("an examiner twice", (*EVERYBODY, "nurse 2"), says=("examiner 1 of 2 is there 2 times",)),
    Case("the one examiner is not", without("nurse"), examiners=(NURSE,), says=("the examiner is",)),
    Case("an examiner of no number", without("midwife", "nurse"), examiners=(UNKNOWN,)),
    Case("the house is not", without("house"), says=("the organisation is not on the server",)),
    Case("nobody but the newborn", (), held=True, says=("the mother", "the ward's Encounter")),
    Case("all by identifier", (), LOGICAL),
    Case("all by identifier, and there", EVERYBODY, LOGICAL),
    Case("the mother may be made", without("mother"), but(NOBODY, mother="made"), made=("RelatedPerson",)),
    Case("the Encounter may be made", without("stay"), but(NOBODY, encounter="made"), made=("Encounter",)),
    Case("the Encounter by identifier", without("stay"), but(NOBODY, encounter="identifier")),
    Case("examiners may be made", without("midwife"), but(NOBODY, examiners="made"), made=("Practitioner",)),
    Case("the house may be made", without("house"), but(NOBODY, organisation="made"), made=("Organization",)),
    Case("this software may be made", EVERYBODY, but(NOBODY, device="made"), made=("Device",)),
    Case("an Encounter of another's may not be made over", ("neighbours-stay",), Persons(newborn="made"), held=True),
    Case("nothing is said: all are made", (), Persons(newborn="made"),
         made=("RelatedPerson", "Practitioner", "Practitioner", "Encounter", "Organization", "Device")),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_nobody_is_made_who_may_not_be(case: Case, client: FhirClient, site: Catalogue, tmp_path: Path) -> None:
    places = hospital(client, *case.there)
    before = counts(client)
    one = on_ward("a", *case.examiners)
    wanted = Wanted(made=False, persons=case.persons)
    for time in ("first",) if case.held else ("first", "again"):
        sent = send(client, site, tmp_path, one, wanted)
        assert sent.summary == (HELD if case.held else SENT), (time, sent.words)
        assert [words for words in case.says if words not in sent.words] == [], (time, sent.words)
        assert not [value for value in ("mother-a", "stay-a", "baby-a", "N-1", "M-2") if value in sent.words]
        made = {kind: case.made.count(kind) for kind in before}
        assert counts(client) == {kind: before[kind] + made[kind] for kind in before}, time
        assert (findings_of(client, places["newborn"]) > 0) is not case.held
        assert sent.problems == [], time
    if case.held:
        return
    read = fetch_exam(client, site, one.details.root)
    assert read is not None
    [back] = from_bundle(read, site)
    assert back.findings == one.findings
    assert back.details.encounter == one.details.encounter
    assert [who.identifier for who in back.details.examiners] == [who.identifier for who in one.details.examiners]


def test_where_the_references_lead(client: FhirClient, site: Catalogue, tmp_path: Path) -> None:
    places = hospital(client, *without("midwife"))
    assert send(client, site, tmp_path, on_ward("a"), Wanted(made=False, persons=NOBODY)).summary == SENT
    finding = next(client.search("Observation", {"patient": places["newborn"].partition("/")[2]}))
    nurse, midwife = finding["performer"]
    assert finding["subject"]["reference"] == places["newborn"]
    assert finding["encounter"]["reference"] == places["stay"]
    assert (nurse["reference"], nurse["display"]) == (places["nurse"], "N. Invented")
    known = {"system": STAFF, "value": "M-2"}
    assert midwife == {"type": "Practitioner", "identifier": known, "display": "M. Invented"}


def test_a_site_says_it_and_a_target_over_it(client: FhirClient, tmp_path: Path) -> None:
    tmp_path.joinpath("site.yaml").write_text("persons: {newborn: known, mother: identifier, examiners: known}\n")
    catalogue = load_catalogue(tmp_path)
    assert send(client, catalogue, tmp_path, exam("a"), Wanted()).summary == HELD, "the newborn, at this site"
    assert counts(client)["Patient"] == 0
    create(client, there("a"))
    assert send(client, catalogue, tmp_path, exam("a"), Wanted()).summary == SENT
    assert {kind for kind, count in counts(client).items() if count} == {"Patient", "Encounter", "Device"}
    other = Wanted(persons=Persons(newborn="made", mother="made", examiners="made"))
    assert send(client, catalogue, tmp_path, exam("b"), other).summary == SENT
    assert counts(client)["Patient"] == 2
    assert counts(client)["RelatedPerson"] == counts(client)["Practitioner"] == 1


def test_an_amendment_once_the_examiner_is_known(client: FhirClient, site: Catalogue, tmp_path: Path) -> None:
    """First left to her identifier; then the hospital has her, and the amendment leads to her."""
    places = hospital(client, *without("nurse"))
    wanted = Wanted(made=False, persons=NOBODY)
    one = on_ward("a")
    assert send(client, site, tmp_path, one, wanted).summary == SENT
    nurse = create(client, holder("Practitioner", STAFF, "N-1"))
    later = amended(one)
    assert send(client, site, tmp_path, later, wanted).summary == SENT
    found = client.search("Observation", {"patient": places["newborn"].partition("/")[2], "_count": "100"})
    live = [resource for resource in found if resource["status"] != "entered-in-error"]
    assert {resource["performer"][0].get("reference") for resource in live} == {nurse}


def test_a_retraction_is_not_held_for_want_of_a_person(client: FhirClient, site: Catalogue, tmp_path: Path) -> None:
    places = hospital(client, *EVERYBODY)
    wanted = Wanted(made=False, persons=NOBODY)
    one = on_ward("a")
    assert send(client, site, tmp_path, one, wanted).summary == SENT
    stay = client.read(*places["stay"].split("/"))
    put(client, places["stay"], {**stay, "identifier": [{"system": STAY, "value": "renumbered"}]})
    assert send(client, site, tmp_path, amended(one), wanted).summary == HELD
    assert send(client, site, tmp_path, retracted(one), wanted).summary == SENT
    found = client.search("Observation", {"patient": places["newborn"].partition("/")[2], "_count": "100"})
    assert {resource["status"] for resource in found} == {"entered-in-error"}


@pytest.mark.parametrize("mode", ["transaction", "batch", "nothing of both"])
def test_servers_of_every_ability(mode: str, client: FhirClient, url: str, site: Catalogue, tmp_path: Path) -> None:
    """What an exam with a ward's Encounter and known persons costs, and that nobody is made, however it is sent."""
    hospital(client, *EVERYBODY)
    before = counts(client)

    class Able(httpx.HTTPTransport):
        asked: list[str] = []

        def handle_request(self, request: httpx.Request) -> httpx.Response:
            self.asked.append(f"{request.method} {request.url.path.rpartition('/')[2]}")
            answer = super().handle_request(request)
            if request.url.path.endswith("/metadata"):
                said = answer.read().decode()
                for other in {"transaction", "batch"} - {mode}:
                    if mode != "transaction":
                        said = said.replace(f'"code":"{other}"', '"code":"search-system"')
                headers = {"content-type": answer.headers["content-type"]}
                return httpx.Response(answer.status_code, headers=headers, content=said)
            return answer

    with FhirClient(url, transport=Able()) as able:
        sent = send(able, site, tmp_path, on_ward("a"), Wanted(made=False, persons=NOBODY))
        asked = list(Able.asked)
    assert (sent.summary, sent.problems) == (SENT, [])
    assert counts(client) == before
    if mode == "transaction":
        assert asked[:4] == ["GET metadata", "GET DiagnosticReport", "POST fhir", "POST fhir"]


@pytest.mark.parametrize("status", [403, 500])
def test_a_server_that_refuses_a_batch_of_searches(
    status: int, client: FhirClient, url: str, site: Catalogue, tmp_path: Path
) -> None:
    """It says that it takes batches; then each question is asked alone."""
    hospital(client, *EVERYBODY)

    class Refusing(httpx.HTTPTransport):
        refused = 0

        def handle_request(self, request: httpx.Request) -> httpx.Response:
            if b'"method":"GET"' not in request.read():
                return super().handle_request(request)
            Refusing.refused += 1
            return httpx.Response(status, json={"resourceType": "OperationOutcome", "issue": []})

    with FhirClient(url, transport=Refusing()) as refusing:
        sent = send(refusing, site, tmp_path, on_ward("a"), Wanted(made=False, persons=NOBODY))
    assert (sent.summary, sent.problems) == (SENT, [])
    assert Refusing.refused > 0


def test_a_server_that_leaves_out_what_was_searched_for_where_little_is_preferred(
    client: FhirClient, url: str, site: Catalogue, tmp_path: Path
) -> None:
    """Helios FHIR Server 0.2.7 does, though nothing is written (R4 http.html 3.1.0.1, managing return content)."""
    hospital(client, *EVERYBODY)

    class Terse(httpx.HTTPTransport):
        asked: list[str] = []

        def handle_request(self, request: httpx.Request) -> httpx.Response:
            self.asked.append(f"{request.method} {request.url.path.rpartition('/')[2]}")
            response = super().handle_request(request)
            if request.method == "GET" or request.headers["prefer"] != "return=minimal":
                return response
            answer = json.loads(response.read())
            for entry in answer["entry"]:
                entry.pop("resource", None)
            return httpx.Response(response.status_code, json=answer)

    with FhirClient(url, transport=Terse()) as terse:
        sent = send(terse, site, tmp_path, on_ward("a"), Wanted(made=False, persons=NOBODY))
    assert (sent.summary, sent.problems) == (SENT, [])
    assert Terse.asked[:4] == ["GET metadata", "GET DiagnosticReport", "POST fhir", "POST fhir"]


def test_as_typed(client: FhirClient, url: str, tmp_path: Path) -> None:
    one, file = exam("a"), tmp_path / "exam.json"
    file.write_bytes(to_json(one))
    to = ["send", str(file), "--to", url, "--outbox", str(tmp_path / "typed.db")]

    def typed(*persons: str) -> Result:
        return CliRunner().invoke(command, [*to, *(part for one in persons for part in ("--persons", one))])

    for wrong, said in {
        "organization=known": "--persons organization: one of newborn, mother",
        "mother=maybe": "--persons mother: Input should be 'made', 'known' or 'identifier'",
        "newborn=identifier": "--persons newborn: Input should be 'made' or 'known'",
        "mother": "--persons mother: Input should be",
    }.items():
        refused = typed(wrong)
        assert (refused.exit_code, said in refused.output) == (2, True), refused.output
    held = typed("newborn=made", "mother=known")
    assert (held.exit_code, "the mother that the exam names" in held.output) == (1, True), held.output
    sent = CliRunner().invoke(command, [*to, "--again", "--persons", "mother=identifier"])
    assert (sent.exit_code, counts(client)["RelatedPerson"]) == (0, 0), sent.output


# What those get who post by their own means: the bundle itself says who may be made.


def posted(client: FhirClient, bundle: Json) -> list[str]:
    try:
        client.transaction(bundle)
    except ServerRefused as refused:
        return [str(refused.status), *(problem.rule for problem in refused.problems)]
    return []


POSTED = [
    ("all are there once", EVERYBODY, []),
    ("the Encounter is not", without("stay"), ["400", "not-found"]),
    ("the Encounter twice", (*EVERYBODY, "stay 2"), ["412", "multiple-matches"]),
    ("an examiner is not", without("nurse"), ["400", "not-found"]),
    ("an examiner twice", (*EVERYBODY, "midwife 2"), ["412", "multiple-matches"]),
    ("the house is not", without("house"), ["400", "not-found"]),
    ("the newborn twice", (*EVERYBODY, "newborn 2"), ["412", "multiple-matches"]),
]


@pytest.mark.parametrize(("present", "refused"), [case[1:] for case in POSTED], ids=[case[0] for case in POSTED])
def test_conditional_references(
    present: tuple[str, ...], refused: list[str], client: FhirClient, site: Catalogue
) -> None:
    hospital(client, *present)
    before = counts(client)
    bundle = to_bundle(on_ward("a"), site, persons=but(NOBODY, device="identifier"))
    assert [str(problem) for problem in validate(bundle)] == []
    assert posted(client, bundle) == refused
    assert counts(client) == before, "whatever became of it"
    assert bool(list(client.search("Observation", {}))) == (not refused)


def test_no_conditional_reference_finds_a_newborn_who_is_not_there(client: FhirClient, site: Catalogue) -> None:
    assert posted(client, to_bundle(exam("a"), site, persons=Persons(newborn="known"))) == ["400", "not-found"]
    assert counts(client)["Patient"] == 0


@pytest.mark.parametrize("what", ["known", "identifier"])
def test_a_batch_refers_by_identifier(what: str, site: Catalogue) -> None:
    """Conditional references are for transactions (3.1.0.11.2)."""
    persons = but(NOBODY if what == "known" else LOGICAL, newborn="made")
    bundle = to_bundle(on_ward("a"), site, BundleType.BATCH, persons=persons)
    kinds = {entry["resource"]["resourceType"] for entry in bundle["entry"]}
    assert kinds.isdisjoint({"RelatedPerson", "Practitioner", "Encounter", "Organization", "Device"})
    assert "?identifier=" not in str([entry["resource"] for entry in bundle["entry"]])
    assert [str(problem) for problem in validate(bundle)] == []
    [back] = from_bundle(bundle, site)
    assert back.details == on_ward("a").details


def test_what_stands_alone_has_everybody(site: Catalogue) -> None:
    bundles = [
        to_bundle(on_ward("a"), site, BundleType.COLLECTION, persons=persons) for persons in (NOBODY, Persons())
    ]
    assert bundles[0] == bundles[1]


def test_a_newborn_who_is_only_referred_to_cannot_be_read_back(site: Catalogue) -> None:
    with pytest.raises(NotReadable, match="the newborn is only referred to"):
        from_bundle(to_bundle(exam("a"), site, persons=Persons(newborn="known")), site)


# A newborn's number changes in the first days: provisional, then final.


def numbered(one: Exam, *values: str) -> Exam:
    return with_newborn(one, identifiers=tuple(Identifier(system=SYSTEM, value=value) for value in values))


def of_numbers(*values: str, **changes: Any) -> Json:
    return there("a", identifier=[{"system": SYSTEM, "value": value} for value in values], **changes)


@pytest.mark.parametrize(
    ("exams", "server"),
    [
        (("P", "F"), ("P",)),
        (("P", "F"), ("F",)),
        (("F", "P"), ("P",)),
        (("P", "F"), ("P", "F")),
        (("F",), ("P", "F")),
        (("P",), ("F", "P")),
    ],
    ids=lambda numbers: " and ".join(numbers),
)
def test_any_of_the_numbers_finds_the_newborn(
    exams: tuple[str, ...], server: tuple[str, ...], client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    """Sent and posted by other means, the newborn known; and made, where one more Patient would be a double."""
    place = create(client, of_numbers(*server))
    one = numbered(exam("a"), *exams)
    for wanted in (Wanted(made=False), Wanted()):
        assert send(client, catalogue, tmp_path, one, wanted).summary == SENT
    assert posted(client, to_bundle(one, catalogue, persons=Persons(newborn="known"))) == []
    assert counts(client)["Patient"] == 1
    assert findings_of(client, place) > 0


@pytest.mark.parametrize("made", [True, False], ids=["made", "known"])
def test_an_exam_of_the_provisional_number_is_amended_under_the_final_one(
    made: bool, client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    """Held while nothing says that both numbers are one newborn's; then the hospital's record has the final one."""
    place = create(client, of_numbers("P"))
    one = numbered(exam("a"), "P")
    later = numbered(amended(one), "F")
    wanted = Wanted(made=made)
    assert send(client, catalogue, tmp_path, one, wanted).summary == SENT
    before = findings_of(client, place)
    assert send(client, catalogue, tmp_path, later, wanted).summary == HELD
    assert (findings_of(client, place), counts(client)["Patient"]) == (before, 1)
    put(client, place, of_numbers("F", "P"))
    assert send(client, catalogue, tmp_path, later, wanted).summary == SENT
    assert (findings_of(client, place), counts(client)["Patient"]) == (before, 1)


@pytest.mark.parametrize("numbers", [("P",), ("F",), ("P", "F")], ids=" and ".join)
@pytest.mark.parametrize("made", [True, False], ids=["made", "known"])
def test_two_records_that_were_merged(
    numbers: tuple[str, ...], made: bool, client: FhirClient, catalogue: Catalogue, tmp_path: Path
) -> None:
    """Sent under the provisional number; the record of the final one replaces it; amended under any of them."""
    provisional, final = create(client, of_numbers("P")), create(client, of_numbers("F"))
    one, wanted = numbered(exam("a"), "P"), Wanted(made=made)
    later = numbered(amended(one), *numbers)
    assert send(client, catalogue, tmp_path, one, wanted).summary == SENT
    if numbers != ("P",):
        assert send(client, catalogue, tmp_path, later, wanted).summary == HELD, "two records, nothing joins them"
        assert findings_of(client, final) == 0
    link = [{"other": {"reference": final}, "type": "replaced-by"}]
    put(client, provisional, of_numbers("P", active=False, link=link))
    assert send(client, catalogue, tmp_path, later, wanted).summary == SENT
    assert findings_of(client, final) > 0
    left = client.search("Observation", {"patient": provisional.partition("/")[2], "_count": "100"})
    assert {resource["status"] for resource in left} <= {"entered-in-error"}
    assert counts(client)["Patient"] == 2
