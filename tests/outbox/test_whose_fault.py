"""Whose fault a failure is, and so what is done and told: certificate, token, scope, gateway, server, exam.

RFC 6750, section 3.1 (insufficient_scope); RFC 9110, section 15; FHIR R4 http.html 3.1.0.11, issue-type. What
gateways answer in a server's place (a page, a redirect to one) is common practice.
"""

from __future__ import annotations

import base64
import json
import random
import sqlite3
import ssl
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sent_exams import amended, exam
from test_authorisation import certificate, https
from test_failures import FAST, FHIR, Answer, Server, accepted, outcome, serving, statement

from adapter.catalogue import Catalogue
from adapter.send import Event, FhirClient, FhirTransport, Outbox, Retry, Sender, SendSummary, State, message_of
from adapter.send.failures import TO_DO, Cause
from adapter.send.health import Health
from adapter.send.rest.client import Wire
from adapter.send.words import kept
from commands import run_here

HTML = {"Content-Type": "text/html"}
SIGN_IN = (302, {**HTML, "Location": "https://login.example/"}, b"<html>Sign in</html>")
NOT_FOUND = (404, HTML, b"<html><h1>Not Found</h1></html>")
SCOPE = {**FHIR, "WWW-Authenticate": 'Bearer error="insufficient_scope", scope="system/Observation.cu"'}
NIGHT = [f"n{number}" for number in range(6)]

Run = Callable[..., tuple[SendSummary, list[Event]]]


@pytest.fixture
def run(outbox: Outbox, catalogue: Catalogue) -> Run:
    def send(server: Server, *keys: str, retry: Retry = FAST, parallel: int = 1) -> tuple[SendSummary, list[Event]]:
        events: list[Event] = []
        for key in keys:
            outbox.put(server.url, message_of(exam(key), catalogue))
        with FhirClient(server.url, timeout=5) as client:
            sender = Sender(outbox, FhirTransport(client), retry=retry, parallel=parallel, on_event=events.append)
            return sender.run(), events

    return send


WHOSE: dict[str, tuple[Answer, Answer | None, Cause]] = {
    "a page instead of the server": (NOT_FOUND, NOT_FOUND, Cause.GATEWAY),
    "a page for what is written alone": (NOT_FOUND, None, Cause.GATEWAY),
    "a redirect to a page": (SIGN_IN, None, Cause.GATEWAY),
    "a page that says well": ((200, HTML, b"<html>Sign in</html>"), None, Cause.GATEWAY),
    "a firewall's 403": ((403, HTML, b"<html>Blocked</html>"), None, Cause.GATEWAY),
    "no scope": ((403, SCOPE, outcome("forbidden", "no")), None, Cause.SCOPE),
    "no scope, in words": ((403, FHIR, outcome("forbidden", "Insufficient scope")), None, Cause.SCOPE),
    "no right": ((403, FHIR, outcome("forbidden", "no")), None, Cause.SCOPE),
    "no token": ((401, {}, b""), None, Cause.TOKEN),
    "away for a while": ((503, {}, b""), None, Cause.SERVER),
    "broken": ((500, FHIR, outcome("exception", "broken")), None, Cause.SERVER),
    "refuses all alike": ((422, FHIR, outcome("code-invalid", "no")), None, Cause.SERVER),
}


@pytest.mark.parametrize(("answer", "metadata", "cause"), WHOSE.values(), ids=WHOSE)
@pytest.mark.parametrize("parallel", [1, 4])
def test_a_nights_exams_are_not_given_up_for_what_is_not_theirs(
    run: Run, outbox: Outbox, answer: Answer, metadata: Answer | None, cause: Cause, parallel: int
) -> None:
    with serving(Server()) as server:
        server.post = lambda body: answer
        if metadata is not None:
            server.metadata = lambda: metadata
        summary, _ = run(server, *NIGHT, parallel=parallel)
        assert summary.cause is cause
        assert summary.stopped[0].remedy
        # what is refused as an exam's own is believed of a few
        assert summary.dead <= (FAST.alike - 1 if answer[0] == 422 else 0)
        assert summary.dead + summary.left == len(NIGHT)
        for row in outbox.rows(State.WAITING):
            assert row.attempts == 0 or answer[0] not in (401, 422)
        # once it is mended all goes
        server.post = accepted
        server.metadata = lambda: (200, FHIR, json.dumps(statement()).encode())
        assert run(server)[0] == SendSummary(sent=summary.left)


def test_one_exam_a_night_is_not_given_up_for_it_either(run: Run, outbox: Outbox) -> None:
    """With nothing to compare it with: tried again and again over many runs, it stays."""
    with serving(Server()) as server:
        server.post = lambda body: NOT_FOUND
        for _ in range(4):
            summary, _ = run(server, "alone", retry=replace(FAST, patience=0.1))
            assert (summary.left, summary.dead, summary.cause) == (1, 0, Cause.GATEWAY)
        assert next(outbox.rows()).attempts > FAST.tries
        # in the very end, after the budget, a person must look
        summary, _ = run(server, retry=replace(FAST, budget=0.01))
        assert summary.dead == 1
        assert next(outbox.rows(State.DEAD)).reasons[0].rule == "gateway"


def test_one_that_a_firewall_does_not_let_through_is_given_up_where_the_others_go(run: Run, outbox: Outbox) -> None:
    with serving(Server()) as server:
        server.post = lambda body: NOT_FOUND if b"x-odd" in body else accepted(body)
        assert run(server, "odd", *NIGHT)[0] == SendSummary(sent=len(NIGHT), dead=1)
    [row] = outbox.rows(State.DEAD)
    assert row.reasons[0].rule == "gateway"


@pytest.mark.parametrize("seed", range(4))
def test_a_server_that_is_plainly_ill_uses_up_no_exams_tries(run: Run, outbox: Outbox, seed: int) -> None:
    chance = random.Random(seed)
    with serving(Server()) as server:
        server.post = lambda body: (
            accepted(body) if chance.random() < 0.3 else (chance.choice([500, 502, 503, 504]), {}, b"")
        )
        for _ in range(20):
            summary, _ = run(server, *NIGHT, retry=replace(FAST, tries=8), parallel=3)
            if not summary.left:
                break
    assert summary.dead == 0
    assert len(list(outbox.rows(State.SENT))) == len(NIGHT)


def _blamed(chance: random.Random, well: float, odd: str | None, exams: int, tries: int) -> set[str]:
    """The exams that a run of three senders at a receiver that is well so often would blame for their failures."""
    health, waiting, blamed = Health(), [f"n{number}" for number in range(exams)], set()
    for _ in range(1000):
        if not waiting:
            break
        root = chance.choice(waiting[:3])
        if root != odd and chance.random() < well:
            health.arrived(root)
            waiting.remove(root)
            continue
        health.failed(root)
        if health.speaks_against(root, tries):
            blamed.add(root)
            waiting.remove(root)
    return blamed


@pytest.mark.parametrize("well", [0.1, 0.3, 0.5])
def test_whatever_the_order_an_ill_receiver_is_hardly_ever_held_against_an_exam(well: float) -> None:
    """Two others that arrive at once while one fails eight times happen by chance: of under 1 in 1,000."""
    blamed = sum(len(_blamed(random.Random(seed), well, None, 12, 8)) for seed in range(300))
    assert blamed <= 300 * 12 / 1000


def test_an_exam_that_alone_fails_among_others_that_arrive_is_blamed() -> None:
    for seed in range(300):
        assert _blamed(random.Random(seed), 0.98, "n0", 30, 8) >= {"n0"}, seed


def test_refusals_that_differ_are_each_exams_own(run: Run, outbox: Outbox) -> None:
    """Different rules, and exams that are taken in between: nobody is held up."""
    codes = {"n0": "invalid", "n1": "value", "n2": "required", "n3": "code-invalid"}

    def post(body: bytes) -> Answer:
        code = next((code for key, code in codes.items() if f"x-{key}/".encode() in body), None)
        return (422, FHIR, outcome(code, "no")) if code else accepted(body)

    with serving(Server()) as server:
        server.post = post
        assert run(server, *NIGHT)[0] == SendSummary(sent=2, dead=4)


def test_exams_behind_those_that_are_held_are_tried_too(run: Run, outbox: Outbox) -> None:
    """Four that are refused alike stand before two that are well: run after run they all have their turn."""
    with serving(Server()) as server:
        server.post = lambda body: (
            accepted(body) if b"x-n4/" in body or b"x-n5/" in body else (422, FHIR, outcome("invalid", "no"))
        )
        for _ in range(6):
            summary, _ = run(server, *NIGHT)
            if not summary.left:
                break
    assert {row.exam for row in outbox.rows(State.SENT)} == {"x-n4", "x-n5"}
    assert summary.left == 0


def test_one_screen_says_what_is_needed(run: Run, outbox: Outbox, tmp_path: Path) -> None:
    with serving(Server()) as server:
        server.post = lambda body: (403, SCOPE, outcome("forbidden", "no"))
        run(server, "a", "b")
        path = tmp_path / "outbox.db"
        shown = run_here("outbox", "status", "--outbox", path).stdout.decode()
        assert f"needed: {TO_DO[Cause.SCOPE]}" in shown
        assert "1 x scope" in shown
        assert "2 waiting" in shown
        assert run_here("outbox", "give-up", "1", "--outbox", path).returncode == 0
        assert "given up by a person" in run_here("outbox", "show", "1", "--outbox", path).stdout.decode()
        assert run_here("outbox", "give-up", "1", "--outbox", path).returncode == 1


def test_a_certificate_that_is_not_accepted_says_so(outbox: Outbox, catalogue: Catalogue, tmp_path: Path) -> None:
    authority = certificate(tmp_path, "authority", None, False)
    certificate(tmp_path, "server", authority, False)
    context = ssl.create_default_context()
    with https(tmp_path) as url, FhirClient(url, timeout=5, wire=Wire(tls=context)) as client:
        outbox.put(url, message_of(exam("a"), catalogue))
        summary = Sender(outbox, FhirTransport(client), retry=FAST).run()
    assert (summary.left, summary.cause) == (1, Cause.CERTIFICATE)
    assert "certificate" in summary.stopped[0].what
    assert "self-signed" in summary.stopped[0].what or "issuer" in summary.stopped[0].what
    assert [row.attempts for row in outbox.rows()] == [0]


PRIVATE = ["Girl Testling-a", "baby-a", "mother-a", "N. Invented", "Loud.", "Counted again.", "opaque0123tokenABC"]


def _spoiled(text: str) -> list[str]:
    forms = [text, text.upper(), text[: len(text) // 2 + 1], text[2:], text[::-1], text.replace(" ", "_")]
    return [*forms, base64.b64encode(text.encode()).decode(), text.encode().hex(), "%".join(text)]


@pytest.mark.parametrize("where", ["diagnostics", "details", "expression", "code", "location", "etag", "status"])
def test_what_a_server_repeats_is_neither_kept_nor_shown(
    run: Run, outbox: Outbox, catalogue: Catalogue, tmp_path: Path, where: str
) -> None:
    """In capitals, in part, turned round, encoded: a token that looks like nothing, names, notes."""
    echo = " ".join(one for text in PRIVATE for one in _spoiled(text))
    issue: dict[str, Any] = {"severity": "error", "code": "invalid"}
    if where == "details":
        issue["details"] = {"text": echo}
    elif where in ("diagnostics", "code"):
        issue[where] = echo
    elif where == "expression":
        issue[where] = [echo]
    answer = {"resourceType": "OperationOutcome", "issue": [issue]}

    def post(body: bytes) -> Answer:
        if where not in ("location", "etag", "status"):
            return 422, FHIR, json.dumps(answer).encode()
        status, headers, content = accepted(body)
        bundle = json.loads(content)
        for entry in bundle["entry"]:
            entry["response"][where] = echo
        return status, headers, json.dumps(bundle).encode()

    with serving(Server()) as server:
        server.post = post
        _, events = run(server, "a", retry=replace(FAST, patience=0.1))
    path = tmp_path / "outbox.db"
    rows = [(row.reasons, row.parts) for row in outbox.rows()]
    seen = f"{events} {rows} {run_here('outbox', 'status', '--outbox', path).stdout.decode()}"
    for text in PRIVATE:
        for spoiled in _spoiled(text):
            if kept(spoiled) != spoiled:
                assert spoiled not in seen, spoiled


def test_a_site_may_ask_for_all_the_words(outbox: Outbox, catalogue: Catalogue) -> None:
    with serving(Server()) as server, FhirClient(server.url, timeout=5, wire=Wire(all_words=True)) as client:
        server.post = lambda body: (422, FHIR, outcome("invalid", "Testling-a: no pre-admission on the ward Zebra"))
        outbox.put(server.url, message_of(exam("a"), catalogue))
        Sender(outbox, FhirTransport(client), retry=FAST).run()
    [row] = outbox.rows(State.DEAD)
    assert "Zebra" in row.reasons[0].what


@given(st.text())
def test_words_that_are_kept_are_plain(text: str) -> None:
    once = kept(text)
    assert kept(once) == once
    assert len(once) <= 500


@pytest.mark.parametrize(
    "text",
    [
        "obs-6: dataAbsentReason SHALL only be present if Observation.value[x] is not present",
        "Bundle.entry[3].resource.valueQuantity.code",
        "a rehearsed failure: 422",
    ],
)
def test_the_standards_own_words_are_kept(text: str) -> None:
    assert kept(text) == text


def test_a_damaged_outbox_says_how_to_go_on(outbox: Outbox, catalogue: Catalogue, tmp_path: Path) -> None:
    """Whatever stands in its rows, and whichever page of the file was written over: words, never a traceback."""
    path = tmp_path / "outbox.db"
    for one in (exam("a"), amended(exam("a")), exam("b")):
        outbox.put("https://fhir.example.org/r4", message_of(one, catalogue))
    outbox.close()
    whole = path.read_bytes()
    columns = ("own = 'x'", "payload = x'00'", "reasons = '{}'", "parts = '[1]'", "state = 'waiting', due = 'x'")
    for change in (*columns, "digest = zeroblob(3)", *range(len(whole) // 4096)):
        path.write_bytes(whole)
        if isinstance(change, str):
            with sqlite3.connect(path) as db:
                db.execute("PRAGMA ignore_check_constraints = ON")
                try:
                    db.execute(f"UPDATE message SET {change}")
                except sqlite3.IntegrityError:  # the layout itself does not let it in
                    continue
            db.close()
        else:
            path.write_bytes(
                whole[: change * 4096] + random.Random(change).randbytes(4096) + whole[(change + 1) * 4096 :]
            )
        for command in (("list",), ("show", "1"), ("status",), ("export", "1"), ("retry", "1")):
            done = run_here("outbox", *command, "--outbox", path)
            if done.returncode not in (0, 1):
                said = done.stderr.decode()
                assert "hand the exams over again" in said or "no number" in said, (change, command, said)
