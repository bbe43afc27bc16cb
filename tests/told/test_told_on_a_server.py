"""Tellings on a FHIR server: sent, kept by an amendment, withdrawn where it drops one, and read back."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from told_exams import CATALOGUE, TELLINGS, read, record

from adapter.exam import Exam
from adapter.fhir import to_resources, with_id
from adapter.fhir.json import dumps
from adapter.read.bundle import from_bundle
from adapter.run.exams import cut_for, readings_of
from adapter.run.inputs import pieces_of
from adapter.sandbox import Store, running
from adapter.send import FhirClient, FhirTransport, Outbox, Sender, SendSummary, fetch_exam, message_of


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    with Outbox(tmp_path / "outbox.db") as found:
        yield found


@pytest.fixture
def client() -> Iterator[FhirClient]:
    with running(Store(None)) as url, FhirClient(url) as found:
        yield found


def send(client: FhirClient, outbox: Outbox, exam: Exam) -> None:
    outbox.put(client.base_url, message_of(exam, CATALOGUE))
    assert Sender(outbox, FhirTransport(client)).run() == SendSummary(sent=1)


def on_server(client: FhirClient) -> list[Exam]:
    bundle = fetch_exam(client, CATALOGUE, "told-1")
    assert bundle is not None
    return from_bundle(bundle, CATALOGUE)


def test_an_amendment_keeps_what_it_says_and_withdraws_the_rest(
    client: FhirClient, outbox: Outbox, tmp_path: Path
) -> None:
    first = read(record(TELLINGS), tmp_path)
    send(client, outbox, first)
    assert on_server(client) == [first]
    amended = read(record(TELLINGS[:1], id="told-2", status="amended", amends="told-1", reason="Told one."), tmp_path)
    send(client, outbox, amended)
    assert on_server(client) == [amended]
    statuses = sorted(one["status"] for one in client.search("Communication", {}))
    assert statuses == ["completed", "entered-in-error", "entered-in-error"]
    retracted = record(TELLINGS[:1], id="told-3", status="entered-in-error", amends="told-1", reason="Wrong infant.")
    send(client, outbox, read(retracted, tmp_path))
    assert {one["status"] for one in client.search("Communication", {})} == {"entered-in-error"}


def test_they_are_found_among_resources_that_stand_alone(tmp_path: Path) -> None:
    exam = read(record(TELLINGS), tmp_path)
    path = tmp_path / "export.ndjson"
    path.write_bytes(b"".join(dumps(with_id(one)) + b"\n" for one in to_resources(exam, CATALOGUE)))
    pieces = list(pieces_of([path], cut_for(CATALOGUE, None)))
    assert [one.exam for piece in pieces for one in readings_of(piece, CATALOGUE)] == [exam]
