"""The FHIR document inside a report in PDF: the bytes of ``--to document``, and only where the site writes such."""

from __future__ import annotations

from base64 import b64decode
from dataclasses import replace
from io import BytesIO
from typing import Any

import pytest
from pypdf import PdfReader

from adapter.catalogue import Catalogue, load_catalogue
from adapter.fhir.json import loads
from adapter.forms.worksheet import to_worksheet
from adapter.read.bundle import from_bundle
from adapter.write import write
from examples.regenerate import example

CATALOGUE = load_catalogue()
EXAM, AMENDED = example("d10-1-girl-scalp-swelling-left"), example("d10-2-girl-scalp-swelling-amended")


def site(**settings: Any) -> Catalogue:
    return replace(CATALOGUE, settings=CATALOGUE.settings.model_copy(update=settings))


def files(pdf: bytes) -> dict[str, list[bytes]]:
    return dict(PdfReader(BytesIO(pdf)).attachments)


@pytest.mark.parametrize("release", ["R4", "R5"])
def test_it_is_the_document_of_the_exam(release: str) -> None:
    catalogue = site(fhir=release)
    pdf = write(AMENDED, catalogue, "report", "pdf", earlier=[EXAM])
    document = write(AMENDED, catalogue, "document", earlier=[EXAM])
    assert files(pdf) == {"exam.fhir.json": [document]}
    (file,) = (one.get_object() for one in PdfReader(BytesIO(pdf)).root_object["/AF"])
    assert file["/Desc"] == f"This examination as a FHIR {release} document, for programs"
    if release == "R4":
        assert from_bundle(loads(document), catalogue) == [AMENDED]


@pytest.mark.parametrize("settings", [{"attached_document": False}, {"formats": ("report",)}])
def test_a_site_that_does_not_want_it_has_none(settings: dict[str, Any]) -> None:
    assert files(write(EXAM, site(**settings), "report", "pdf")) == {}


def test_a_report_inside_a_bundle_or_message_and_a_blank_sheet_have_none() -> None:
    bundle = loads(write(EXAM, site(attached_report="pdf"), "document"))
    (report,) = (e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DiagnosticReport")
    assert files(b64decode(report["presentedForm"][0]["data"])) == {}
    message = write(EXAM, CATALOGUE, "v2-document").decode()
    assert files(b64decode(message.partition("^Base64^")[2].split("|")[0])) == {}
    assert files(to_worksheet(CATALOGUE, "shift", encoding="pdf")) == {}


def test_when_it_was_recorded_is_in_its_properties() -> None:
    metadata = PdfReader(BytesIO(write(EXAM, CATALOGUE, "report", "pdf"))).metadata
    assert metadata is not None
    assert metadata.creation_date == EXAM.details.made.replace(microsecond=0)
