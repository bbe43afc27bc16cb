"""How long an exam may be made to wait: whatever a receiver asks for, and whatever the clock said meanwhile.

RFC 9110, sections 5.6.7 and 10.2.3 (Retry-After). That a clock of the machine may be a year off is common practice.
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sent_exams import amended, exam
from test_failures import FAST, Answer, Server, accepted, serving

from adapter.catalogue import Catalogue
from adapter.send import FhirClient, FhirTransport, Outbox, Retry, Sender, SendSummary, State, message_of
from adapter.send.rest.answers import http_date, seconds_to_wait

YEAR = 365 * 86_400.0
TARGET = "https://fhir.example.org/r4"


def run(outbox: Outbox, server: Server, retry: Retry = FAST) -> SendSummary:
    with FhirClient(server.url, timeout=5) as client:
        return Sender(outbox, FhirTransport(client), retry=retry, parallel=2).run()


@pytest.mark.parametrize("asked", ["31536000", "99999999999999999999", "Fri, 31 Dec 9999 23:59:59 GMT", "120"])
@pytest.mark.parametrize("answer", [(503, {}, b""), (429, {}, b""), (401, {}, b"")])
def test_a_run_ends_with_what_is_left_and_when_it_is_due(
    outbox: Outbox, catalogue: Catalogue, asked: str, answer: Answer
) -> None:
    """Whatever Retry-After says, an exam waits no longer than is heeded, and others go on (but for 401: of all)."""
    status, _, body = answer
    with serving(Server()) as server:
        later = (status, {"Retry-After": asked}, body)
        server.post = lambda posted: later if b"x-a" in posted else accepted(posted)
        for key in ("a", "b"):
            outbox.put(server.url, message_of(exam(key), catalogue))
        summary = run(outbox, server, replace(FAST, heed=60.0))
    assert summary.left + summary.sent == 2
    assert summary.left >= 1
    assert summary.dead == 0
    [row] = (row for row in outbox.rows(State.WAITING) if row.exam == "x-a")
    assert 50 < row.due - time.time() <= 60
    if summary.left == 1:
        assert summary.due == row.due


@pytest.mark.parametrize("ahead", [YEAR, 40 * YEAR, -YEAR])
def test_a_clock_that_stood_elsewhere_holds_nothing(
    outbox: Outbox, catalogue: Catalogue, monkeypatch: pytest.MonkeyPatch, ahead: float
) -> None:
    """One failure while the clock was wrong; it is right again, and the exam goes at once."""
    now = time.time
    with serving(Server()) as server:
        outbox.put(server.url, message_of(exam("a"), catalogue))
        with monkeypatch.context() as wrong:
            wrong.setattr(time, "time", lambda: now() + ahead)
            server.post = lambda body: (503, {"Retry-After": "30"}, b"")
            assert run(outbox, server).left == 1
        server.post = accepted
        summary = run(outbox, server)
    assert summary == SendSummary(sent=1)


def test_what_waits_behind_another_of_its_newborn_is_not_what_a_run_waits_for(
    outbox: Outbox, catalogue: Catalogue
) -> None:
    with serving(Server()) as server:
        server.post = lambda body: (503, {"Retry-After": "60"}, b"")
        for one in (exam("a"), amended(exam("a"))):
            outbox.put(server.url, message_of(one, catalogue))
        assert run(outbox, server).left == 2


def test_an_exam_that_another_process_holds_on_to_is_not_waited_for_without_end(
    outbox: Outbox, catalogue: Catalogue
) -> None:
    outbox.put(TARGET, message_of(exam("a"), catalogue))
    assert outbox.claim(TARGET, 8) is not None
    with FhirClient(TARGET) as client:
        summary = Sender(outbox, FhirTransport(client), retry=replace(FAST, patience=0.1)).run()
    assert summary == SendSummary(left=1)


def test_what_failed_goes_after_what_has_not_been_tried(outbox: Outbox, catalogue: Catalogue) -> None:
    for key in ("a", "b", "c"):
        outbox.put(TARGET, replace(message_of(exam(key), catalogue), shared=frozenset()))
    first = outbox.claim(TARGET, 8)
    assert first is not None
    outbox.later(first, [], time.time() - 1)
    order = []
    while (letter := outbox.claim(TARGET, 8)) is not None:
        order.append(letter.message.exam)
    assert order == ["x-b", "x-c", "x-a"]


@given(st.integers(1, 30), st.one_of(st.none(), st.floats(0, 1e9)))
def test_the_pause_grows_within_bounds_and_is_what_was_asked_within_what_is_heeded(
    attempt: int, asked: float | None
) -> None:
    retry = Retry()
    pause = retry.pause(attempt, asked)
    assert pause >= max(min(retry.longest, retry.first * 2 ** (attempt - 1)) / 2, min(asked or 0, retry.heed))
    assert pause <= max(retry.longest, min(asked or 0, retry.heed)) <= retry.longest_wait


@pytest.mark.parametrize(
    ("header", "seconds"), [("0", 0), ("120", 120), (" 7 ", 7), ("", None), ("soon", None), ("-1", None)]
)
def test_retry_after_in_seconds(header: str, seconds: float | None) -> None:
    assert seconds_to_wait(header) == seconds


def test_retry_after_as_a_date() -> None:
    # RFC 9110, section 5.6.7: an IMF-fixdate, always in GMT; the example is that of section 10.2.3.
    now = datetime(1999, 12, 31, 23, 57, 59, tzinfo=UTC)
    assert seconds_to_wait("Fri, 31 Dec 1999 23:59:59 GMT", now) == 120
    assert seconds_to_wait(format_datetime(now - timedelta(hours=1), usegmt=True), now) == 0


@given(
    st.text(max_size=40) | st.from_regex(r"[A-Z][a-z]{2}, \d{1,3} [A-Z][a-z]{2} \d{1,5} \d\d:\d\d:\d\d [A-Z+\d-]+")
)
def test_anything_else_in_its_place_asks_for_nothing(header: str) -> None:
    wait = seconds_to_wait(header)
    assert wait is None or wait >= 0
    found = http_date(header)
    assert found is None or found.tzinfo is UTC
