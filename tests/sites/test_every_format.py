"""Invented exams in every outward form under every invented site: each passes the checks of its form. A quarter of
the exams meets a form at a site, so that every exam meets every form, and every site.

FHIR: the validator, every layer, and the way back. Reports: as a page or a PDF, of the right newborn. v2: hl7apy's
strict validation of the message, and the way back. What a site does not write it refuses to write.
"""

from __future__ import annotations

import re
from base64 import b64decode
from collections.abc import Callable
from functools import cache
from html.parser import HTMLParser
from io import BytesIO

import hl7
import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message
from sites_of_examples import ROOT, SITES, catalogue_of

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import loads
from adapter.fhir.xml import from_xml
from adapter.read import read_captures
from adapter.read.bundle import from_bundle
from adapter.read.oru import from_oru
from adapter.v2.er7 import CHARSETS
from adapter.validate import validate
from adapter.write import OUTWARD, allowed, write

CAPTURES = sorted((ROOT / "examples" / "captures").glob("*.json"))
JUDGED_AGAIN = ("demo-d05", "demo-d07-1", "demo-d08a")
Check = Callable[[bytes, Exam, Catalogue], None]


@cache
def exam_of(capture: str, site: str) -> Exam:
    (path,) = (one for one in CAPTURES if one.stem == capture)
    (reading,) = read_captures(path, catalogue_of(site))
    assert reading.exam is not None
    assert reading.accepted
    return reading.exam


def as_bundle(content: bytes, exam: Exam, catalogue: Catalogue) -> None:
    bundle = from_xml(content) if content.lstrip().startswith(b"<") else loads(content)
    assert [str(problem) for problem in validate(bundle, second_opinion=False)] == []
    assert from_bundle(bundle, catalogue) == [exam]


def as_page(content: bytes, exam: Exam, catalogue: Catalogue) -> None:
    parser = _Balanced()
    parser.feed(content.decode())
    assert parser.open == []
    assert exam.newborn.identifiers[0].value in content.decode()
    assert catalogue.settings.policy.name in content.decode()


def as_pdf(content: bytes, exam: Exam, catalogue: Catalogue) -> None:
    pypdf = pytest.importorskip("pypdf")
    text = "".join(page.extract_text() for page in pypdf.PdfReader(BytesIO(content)).pages)
    assert exam.newborn.identifiers[0].value in text


def as_message(content: bytes, exam: Exam, catalogue: Catalogue) -> None:
    """What wrote it had it judged; here a few are judged once more, and those of the shipped site in ``tests/v2``.

    hl7apy takes every OBX-5 for ST, of 199 characters: long FT and TX are cut for it, and for it alone.
    """
    if exam.details.id in JUDGED_AGAIN:
        message = content.decode(CHARSETS[catalogue.v2.character_set]).replace("\r\n", "\r")
        short = re.sub(r"(\rOBX\|\d+\|(?:FT|TX)\|[^|]*\|[^|]*\|)([^|]{190})[^|\\~]*", r"\1\2", message)
        assert parse_message(short, validation_level=VALIDATION_LEVEL.STRICT).validate()
    (read,) = from_oru(content, catalogue)
    assert read.details == exam.details
    # a message has its findings region by region, and the mother's name in NK1 alone, which a site may leave out
    assert sorted(map(repr, read.findings)) == sorted(map(repr, exam.findings))
    mother = exam.newborn.mother
    if mother is not None and not catalogue.v2.next_of_kin:
        mother = mother.model_copy(update={"name": None})
    assert read.newborn == exam.newborn.model_copy(update={"mother": mother})


def as_document_message(content: bytes, exam: Exam, catalogue: Catalogue) -> None:
    """hl7 reads the one OBX; what it holds is the report."""
    message = hl7.parse(content.decode(CHARSETS[catalogue.v2.character_set]).replace("\r\n", "\r"))
    assert exam.newborn.identifiers[0].value in str(message.segment("PID")(3))
    _, _, kind, coding, data = str(message.segment("OBX")(5)).split("^")
    assert coding == "Base64"
    {"PDF": as_pdf, "HTML": as_page}[kind](b64decode(data), exam, catalogue)


CHECKS: dict[str, Check] = {
    "v2-document": as_document_message,
    "json": as_bundle,
    "xml": as_bundle,
    "html": as_page,
    "pdf": as_pdf,
    "er7": as_message,
}


class _Balanced(HTMLParser):
    """Whether every element that is opened is closed."""

    VOID = ("meta", "br", "hr", "img", "input", "link", "col", "wbr")

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: object) -> None:
        """An element that closes itself."""

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag


FORMS = [(kind, encoding) for kind, outward in OUTWARD.items() for encoding in outward.encodings]


MET = [
    pytest.param(site, kind, encoding, path.stem, id=f"{site}-{kind}-{encoding}-{path.stem}")
    for s, site in enumerate(SITES)
    for f, (kind, encoding) in enumerate(FORMS)
    for c, path in enumerate(CAPTURES)
    if (s + f + c) % (12 if kind == "v2-document" else 4) == 0  # its document is the report, which is met as often
]


@pytest.mark.parametrize(("site", "kind", "encoding", "capture"), MET)
def test_it_passes_its_checks(site: str, kind: str, encoding: str, capture: str) -> None:
    catalogue, exam = catalogue_of(site), exam_of(capture, site)
    if kind not in allowed(catalogue):
        with pytest.raises(ValueError, match="does not write"):
            write(exam, catalogue, kind, encoding)
        return
    CHECKS.get(kind, CHECKS[encoding])(write(exam, catalogue, kind, encoding), exam, catalogue)


def test_every_form_and_site_is_in_the_matrix() -> None:
    assert len(SITES) >= 3
    assert {encoding for _, encoding in FORMS} <= CHECKS.keys()
    assert {kind for name in SITES for kind in allowed(catalogue_of(name))} == set(OUTWARD)
