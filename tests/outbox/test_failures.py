"""What is done about each failure: FHIR R4 http.html 3.1.0.5, 3.1.0.8.1, 3.1.0.11; RFC 9110, sections 10.2.3, 15."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from sent_exams import amended, exam

from adapter.catalogue import Catalogue
from adapter.send import (
    Event,
    FhirClient,
    FhirTransport,
    Happening,
    Outbox,
    Retry,
    Sender,
    SendSummary,
    State,
    message_of,
)
from adapter.send.rest.transaction import transaction_of

FAST = Retry(tries=3, first=0.01, longest=0.05, patience=0.5)
FHIR = {"Content-Type": "application/fhir+json"}
Answer = tuple[int, dict[str, str], bytes]


def statement(version: str = "4.0.1", interaction: str = "transaction", without: str = "") -> dict[str, Any]:
    kinds = ["Patient", "RelatedPerson", "Practitioner", "Encounter", "Device", "Observation", "DiagnosticReport"]
    resources = [
        {"type": kind, "conditionalCreate": True, "updateCreate": True, "versioning": "versioned"}
        for kind in (*kinds, "Provenance", "CommunicationRequest")
        if kind != without
    ]
    rest = [{"mode": "server", "interaction": [{"code": interaction}], "resource": resources}]
    return {"resourceType": "CapabilityStatement", "fhirVersion": version, "format": ["json"], "rest": rest}


def outcome(code: str, text: str, place: str = "") -> bytes:
    issue = {"severity": "error", "code": code, "diagnostics": text, **({"expression": [place]} if place else {})}
    return json.dumps({"resourceType": "OperationOutcome", "issue": [issue]}).encode()


def accepted(body: bytes) -> Answer:
    kinds = [entry["resource"]["resourceType"] for entry in json.loads(body)["entry"]]
    entries = [{"response": {"status": "201 Created", "location": f"{kind}/{n}"}} for n, kind in enumerate(kinds)]
    answer = {"resourceType": "Bundle", "type": "transaction-response", "entry": entries}
    return 200, FHIR, json.dumps(answer).encode()


EMPTY: Answer = (200, FHIR, b'{"resourceType": "Bundle", "type": "searchset"}')


class Server:
    """Knows nothing and takes everything, unless ``post`` or ``metadata`` says otherwise."""

    def __init__(self) -> None:
        self.url = ""
        self.posts: list[bytes] = []
        self.post: Callable[[bytes], Answer] = accepted
        self.get: Callable[[str], Answer] = lambda path: (404, {}, b"") if re.search(r"/[A-Z]\w+/\w", path) else EMPTY
        self.metadata: Callable[[], Answer] = lambda: (200, FHIR, json.dumps(statement()).encode())

    def answer(self, method: str, path: str, body: bytes) -> Answer:
        if path.endswith("/metadata"):
            return self.metadata()
        if method == "GET":
            return self.get(path)
        if b'"method":"GET"' in body:
            return self.together([f"/fhir/{entry['request']['url']}" for entry in json.loads(body)["entry"]])
        self.posts.append(body)
        return self.post(body)

    def together(self, paths: list[str]) -> Answer:
        """What is asked in one transaction: all of it, or the first that is refused."""
        came = [self.get(path) for path in paths]
        if refused := [one for one in came if one[0] >= 300]:
            return refused[0]
        entries = [{"resource": json.loads(body), "response": {"status": "200"}} for _, _, body in came]
        return (
            200,
            FHIR,
            json.dumps({"resourceType": "Bundle", "type": "transaction-response", "entry": entries}).encode(),
        )


@contextmanager
def serving(made: Server) -> Iterator[Server]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", 0)))
            status, headers, content = made.answer(self.command, self.path, body)
            self.send_response(status)
            for name, value in {**headers, "Content-Length": str(len(content))}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(content)

        do_POST = do_PUT = do_GET

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
    thread.start()
    made.url = f"http://127.0.0.1:{server.server_port}/fhir"
    try:
        yield made
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.fixture
def server() -> Iterator[Server]:
    with serving(Server()) as made:
        yield made


@pytest.fixture
def send(outbox: Outbox, server: Server, catalogue: Catalogue) -> Callable[..., tuple[SendSummary, list[Event]]]:
    def run(*keys: str, parallel: int = 1, retry: Retry = FAST) -> tuple[SendSummary, list[Event]]:
        events: list[Event] = []
        for key in keys or ("a",):
            outbox.put(server.url, message_of(exam(key), catalogue))
        with FhirClient(server.url, timeout=5) as client:
            return Sender(
                outbox, FhirTransport(client), retry=retry, parallel=parallel, on_event=events.append
            ).run(), events

    return run


Send = Callable[..., tuple[SendSummary, list[Event]]]


@pytest.mark.parametrize("status", [400, 403, 404, 405, 406, 410, 413, 415, 422, 301, 308])
def test_refused_for_good_it_is_tried_once(server: Server, send: Send, outbox: Outbox, status: int) -> None:
    server.post = lambda body: (status, FHIR, outcome("invalid", "not like this"))
    assert send()[0] == SendSummary(dead=1)
    assert len(server.posts) == 1
    [row] = outbox.rows(State.DEAD)
    assert row.reasons[0].what == "not like this"


@pytest.mark.parametrize("status", [408, 409, 412, 425, 429, 500, 502, 503, 504])
def test_what_may_pass_is_tried_again_with_the_same_bytes(
    server: Server, send: Send, outbox: Outbox, status: int
) -> None:
    server.post = lambda body: accepted(body) if len(server.posts) == 3 else (status, {}, b"")
    assert send()[0] == SendSummary(sent=1)
    assert len(server.posts) == 3
    assert len(set(server.posts)) == 1
    [row] = outbox.rows(State.SENT)
    assert row.attempts == 3


@pytest.mark.parametrize(
    "answer",
    [
        (500, FHIR, outcome("exception", "broken")),
        (200, {"Content-Type": "text/html"}, b"<html>Sign in</html>"),
        (200, FHIR, b'{"resourceType": "Bundle", "type": "transaction-response", "entry": []}'),
        (200, FHIR, b'{"resourceType": "Bundle", "ty'),
        (204, {}, b""),
    ],
)
def test_a_poison_exam_is_given_up_with_its_reason_and_holds_up_no_other(
    server: Server, send: Send, outbox: Outbox, answer: Answer
) -> None:
    server.post = lambda body: answer if b"x-poison" in body else accepted(body)
    summary, events = send("poison", "b", "c")
    assert summary == SendSummary(sent=2, dead=1)
    [row] = outbox.rows(State.DEAD)
    assert (row.exam, row.attempts) == ("x-poison", 3)
    assert row.reasons
    assert [e.happening for e in events if e.exam == "x-poison"] == [Happening.LATER, Happening.LATER, Happening.DEAD]


def test_answers_of_a_shape_nobody_thought_of_hold_up_no_other(server: Server, send: Send, outbox: Outbox) -> None:
    [identifier] = exam("odd").newborn.identifiers
    without_id = {"resourceType": "Patient", "identifier": [identifier.model_dump()]}
    nameless = {"resource": without_id}
    odd = json.dumps({"resourceType": "Bundle", "type": "searchset", "entry": [nameless]}).encode()
    usual = server.get
    server.get = lambda path: (200, FHIR, odd) if "baby-odd" in path else usual(path)
    assert send("odd", "b")[0] == SendSummary(sent=1, dead=1)
    [row] = outbox.rows(State.DEAD)
    assert row.reasons[0].rule == "internal"
    assert "KeyError" in row.reasons[0].what


def test_two_of_one_name_are_for_a_person(server: Server, send: Send, outbox: Outbox) -> None:
    server.post = lambda body: (412, FHIR, outcome("multiple-matches", "2 match"))
    assert send()[0] == SendSummary(dead=1)
    assert len(server.posts) == 1


def test_no_right_to_send_counts_against_no_exam(server: Server, send: Send, outbox: Outbox) -> None:
    server.post = lambda body: (401, {}, b"")
    summary, _ = send("a", "b")
    assert (summary.sent, summary.dead, summary.left) == (0, 0, 2)
    assert summary.stopped
    assert {(row.state, row.attempts) for row in outbox.rows()} == {(State.WAITING, 0)}


def test_a_server_that_fails_all_counts_against_no_exam(server: Server, send: Send, outbox: Outbox) -> None:
    well = server.metadata
    asked: list[int] = []

    def metadata() -> Answer:
        asked.append(1)
        return well() if len(asked) == 1 or len(server.posts) > 4 else (503, {}, b"")

    server.metadata = metadata
    server.post = lambda body: accepted(body) if len(server.posts) > 4 else (503, {}, b"")
    assert send(retry=replace(FAST, patience=10))[0] == SendSummary(sent=1)
    [row] = outbox.rows(State.SENT)
    assert row.attempts == 1
    assert len(server.posts) > FAST.tries


@pytest.mark.parametrize(
    "metadata",
    [
        (200, FHIR, json.dumps(statement("4.3.0")).encode()),
        (200, FHIR, json.dumps(statement("5.0.0")).encode()),
        (200, FHIR, json.dumps({**statement(), "fhirVersion": None}).encode()),
        (404, {}, b""),
    ],
)
def test_not_a_server_of_r4_nothing_is_sent(server: Server, send: Send, outbox: Outbox, metadata: Answer) -> None:
    server.metadata = lambda: metadata
    summary, _ = send("a", "b")
    assert summary.left == 2
    assert summary.stopped
    assert server.posts == []


def test_a_type_the_server_does_not_keep_is_named(server: Server, send: Send, outbox: Outbox) -> None:
    server.metadata = lambda: (200, FHIR, json.dumps(statement(without="Provenance")).encode())
    assert send()[0] == SendSummary(dead=1)
    assert server.posts == []
    [row] = outbox.rows(State.DEAD)
    assert row.reasons[0].what == "the server does not keep Provenance"


def test_what_the_server_says_is_tied_to_exam_and_item(
    server: Server, send: Send, outbox: Outbox, catalogue: Catalogue
) -> None:
    number = transaction_of(exam("a"), catalogue).names.index("Observation x-a/femoral_pulse/left")
    place = f"Bundle.entry[{number}].resource.bodySite"
    server.post = lambda body: (422, FHIR, outcome("code-invalid", "unknown code", place))
    send()
    [row] = outbox.rows(State.DEAD)
    [problem] = row.reasons
    assert (problem.item, problem.rule) == ("femoral_pulse", "code-invalid")
    assert problem.where == f"Observation x-a/femoral_pulse/left: {place}"


def test_what_is_a_persons_is_not_repeated(server: Server, send: Send, outbox: Outbox, catalogue: Catalogue) -> None:
    token = "Bearer abc.def eyJhbGciOiJIUzI1NiJ9.e30.x"
    echo = f"Girl Testling-a (baby-a, born 2026-02-28) of mother-a, by N. Invented: Loud. {token}"
    server.post = lambda body: (422, FHIR, outcome("invalid", echo, echo))
    _, events = send()
    [row] = outbox.rows(State.DEAD)
    for said in (str(row.reasons[0]), str(events[-1].problems[0])):
        for private in ("Testling", "baby-a", "2026-02-28", "mother-a", "Invented", "Loud", "abc.def", "eyJ"):
            assert private not in said


def test_remarks_on_entries_are_kept_without_what_is_a_persons(server: Server, send: Send, outbox: Outbox) -> None:
    def remarked(body: bytes) -> Answer:
        status, headers, content = accepted(body)
        answer = json.loads(content)
        issues = [
            {"severity": "warning", "code": "business-rule", "diagnostics": "Girl Testling-a is in two wards"},
            {"severity": "information", "code": "informational", "diagnostics": "created"},
        ]
        answer["entry"][0]["response"]["outcome"] = {"resourceType": "OperationOutcome", "issue": issues}
        return status, headers, json.dumps(answer).encode()

    server.post = remarked
    assert send()[0] == SendSummary(sent=1)
    [row] = outbox.rows(State.SENT)
    assert [problem.what for problem in row.parts[0].problems] == ["[…] is in two wards"]


def test_in_a_batch_the_refused_entry_is_named(
    server: Server, send: Send, outbox: Outbox, catalogue: Catalogue
) -> None:
    server.metadata = lambda: (200, FHIR, json.dumps(statement(interaction="batch")).encode())

    def post(body: bytes) -> Answer:
        entries = []
        for n, entry in enumerate(json.loads(body)["entry"]):
            kind = entry.get("resource", {}).get("resourceType", "")
            bad = kind == "Observation" and b"grunting" in json.dumps(entry).encode()
            response: dict[str, Any] = {"status": "201", "location": f"{kind}/{len(server.posts)}-{n}"}
            if bad:
                response = {"status": "422", "outcome": json.loads(outcome("invalid", "no"))}
            if not kind:
                response = {"status": "200"}
            entries.append({"response": response})
        return 200, FHIR, json.dumps({"resourceType": "Bundle", "type": "batch-response", "entry": entries}).encode()

    server.post = post
    assert send()[0] == SendSummary(dead=1)
    [row] = outbox.rows(State.DEAD)
    assert [p.item for p in row.reasons] == ["grunting"]
    assert sorted({part.answer for part in row.parts}) == ["201", "422"]


def test_an_older_one_waits_for_a_newborns_failing_exam(server: Server, outbox: Outbox, catalogue: Catalogue) -> None:
    server.post = lambda body: accepted(body) if len(server.posts) > 2 else (500, {}, b"")
    for one in (exam("a"), amended(exam("a"))):
        outbox.put(server.url, message_of(one, catalogue))
    events: list[Event] = []
    with FhirClient(server.url, timeout=5) as client:
        Sender(outbox, FhirTransport(client), retry=FAST, parallel=4, on_event=events.append).run()
    assert [e.exam for e in events] == ["x-a"] * 3 + ["x-a-v2"]
