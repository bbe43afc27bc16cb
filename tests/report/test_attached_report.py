"""The report inside what is sent (a site's setting): FHIR R4 Attachment (size in bytes, hash is SHA-1), HL7 v2.5.1 ED
and MDM^T02. Nothing of it is read back."""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from dataclasses import replace
from hashlib import sha1
from typing import Any

import hl7
import httpx
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message

import adapter
from adapter.catalogue import Catalogue, load_catalogue
from adapter.document import Document
from adapter.exam import Exam
from adapter.fhir.json import loads
from adapter.fhir.xml import from_xml
from adapter.read.bundle import from_bundle
from adapter.read.oru import from_oru
from adapter.send.mllp.transport import MllpTransport
from adapter.send.rest.client import FhirClient
from adapter.send.rest.transport import FhirTransport
from adapter.send.transport import Transport
from adapter.validate import validate
from adapter.write import write
from adapter.write.attached import rendered
from examples.regenerate import example

CATALOGUE = load_catalogue()
EXAM, AMENDED = example("d10-1-girl-scalp-swelling-left"), example("d10-2-girl-scalp-swelling-amended")


def site(encoding: str | None, **v2: Any) -> Catalogue:
    settings = CATALOGUE.settings.model_copy(update={"attached_report": encoding})
    own = CATALOGUE.v2.model_copy(update={"attached_report": encoding, **v2})
    return replace(CATALOGUE, settings=settings, v2=own)


def presented(bundle: dict[str, Any]) -> list[dict[str, Any]]:
    (report,) = (e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DiagnosticReport")
    return report.get("presentedForm", [])  # type: ignore[no-any-return]


@pytest.mark.parametrize(("encoding", "content_type"), [("html", "text/html"), ("pdf", "application/pdf")])
def test_the_diagnostic_report_holds_the_report(encoding: str, content_type: str) -> None:
    catalogue, content = site(encoding), rendered(EXAM, CATALOGUE, encoding).content
    bundle = loads(write(EXAM, catalogue, "transaction"))
    assert [str(problem) for problem in validate(bundle)] == []
    (one,) = presented(bundle)
    assert presented(adapter.to_bundle(EXAM, catalogue)) == [one]
    assert b64decode(one.pop("data")) == content
    assert b64decode(one.pop("hash")) == sha1(content, usedforsecurity=False).digest()
    assert one == {
        "contentType": content_type,
        "language": "en",
        "size": len(content),
        "title": "Newborn examination: Shift assessment",
        "creation": EXAM.details.made.isoformat(),
    }
    assert from_bundle(bundle, catalogue) == [EXAM]


@pytest.mark.parametrize("kind", ["transaction", "batch", "collection", "document"])
def test_every_form_of_fhir_holds_it_and_none_by_default(kind: str) -> None:
    for bundle in (loads(write(EXAM, site("html"), kind)), from_xml(write(EXAM, site("html"), kind, "xml"))):
        assert len(presented(bundle)) == 1
        assert from_bundle(bundle, CATALOGUE) == [EXAM]
    assert presented(loads(write(EXAM, CATALOGUE, kind))) == []


def test_a_message_holds_it_as_one_more_result() -> None:
    data = write(AMENDED, site("html"), "v2", earlier=[EXAM])
    (result,) = (one for one in hl7.parse(data.decode()).segments("OBX") if str(one(2)) == "ED")
    source, kind, subtype, coding, content = str(result(5)).split("^")
    assert (source, kind, subtype, coding) == ("", "TEXT", "HTML", "Base64")
    assert b64decode(content) == write(AMENDED, CATALOGUE, "report", earlier=[EXAM])
    assert from_oru(data, CATALOGUE) == from_oru(write(AMENDED, CATALOGUE, "v2", earlier=[EXAM]), CATALOGUE)
    assert b"|ED|" not in write(AMENDED, CATALOGUE, "v2", earlier=[EXAM])


@pytest.mark.parametrize(
    ("exam", "event", "parent"),
    [(EXAM, "T02", ""), (AMENDED, "T10", "demo-d10^NEWBORN_EXAM")],
    ids=["original", "replacement"],
)
def test_a_document_message_is_judged_by_hl7apy_and_names_what_it_replaces(
    exam: Exam, event: str, parent: str
) -> None:
    """hl7apy takes OBX-5 for ST, of 199 characters: the data is cut for it, and for it alone."""
    data = write(
        exam, site(None, document=CATALOGUE.v2.document.model_copy(update={"format": "html"})), "v2-document"
    )
    text = data.decode()
    short = re.sub(r"(\^Base64\^.{4})[^|\r]*", r"\1", text)
    assert parse_message(short, validation_level=VALIDATION_LEVEL.STRICT).validate()
    message = hl7.parse(text)
    assert [str(segment[0]) for segment in message] == ["MSH", "SFT", "EVN", "PID", "PV1", "TXA", "OBX"]
    assert str(message.segment("MSH")(9)) == f"MDM^{event}^MDM_T02"
    header = message.segment("TXA")
    assert (str(header(12)), str(header(13))) == (f"{exam.details.id}^NEWBORN_EXAM", parent)
    assert str(message.segment("OBX")(5)).split("^")[4] == b64encode(write(exam, CATALOGUE, "report")).decode()


@pytest.mark.parametrize("wire", ["rest", "mllp"])
def test_what_is_sent_holds_it_and_it_is_made_once(wire: str, monkeypatch: pytest.MonkeyPatch) -> None:
    made: list[Document] = []
    monkeypatch.setattr("adapter.document.to_html", lambda document: made.append(document) or b"<p>the report</p>")
    rest = FhirTransport(FhirClient("http://127.0.0.1:1/r4"))
    transport: Transport = rest if wire == "rest" else MllpTransport(httpx.URL("mllp://127.0.0.1:1"))
    prepared = transport.prepare(EXAM, site("html"))
    assert prepared.message is not None
    assert b64encode(b"<p>the report</p>") in prepared.message.payload
    assert len(made) == 1
