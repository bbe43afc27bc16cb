"""The report as an attachment of what is sent: FHIR R4 Attachment, HL7 v2 ED."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha1

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import Json
from adapter.fhir.observation import instant
from adapter.v2.er7 import joined

CONTENT_TYPES = {"pdf": "application/pdf", "html": "text/html"}
_OF_ED = {"pdf": ("AP", "PDF"), "html": ("TEXT", "HTML")}
"""ED.2 and ED.3 (tables 0191 and 0291): PDF came into table 0291 after v2.5.1 and is common practice with it."""


@dataclass(frozen=True, slots=True)
class RenderedReport:
    """A report in one of its encodings, as :mod:`adapter.write.report` writes it."""

    encoding: str
    title: str
    content: bytes

    def as_attachment(self, exam: Exam, catalogue: Catalogue) -> Json:
        """FHIR R4 Attachment; ``hash`` is SHA-1, as R4 has it."""
        digest = sha1(self.content, usedforsecurity=False).digest()
        return {
            "contentType": CONTENT_TYPES[self.encoding],
            "language": catalogue.language,
            "data": b64encode(self.content).decode(),
            "size": len(self.content),
            "hash": b64encode(digest).decode(),
            "title": self.title,
            "creation": instant(exam.details.made),
        }

    def as_ed(self) -> str:
        """Encapsulated data of HL7 v2.5.1: no application, type, subtype, Base64, data."""
        return joined(["", *_OF_ED[self.encoding], "Base64", b64encode(self.content).decode()])


def rendered(exam: Exam, catalogue: Catalogue, encoding: str, earlier: Sequence[Exam] = ()) -> RenderedReport:
    """The report of an exam. Raises :class:`adapter.document.PdfNotInstalled` for ``pdf`` without the extra."""
    from adapter.document import to_html, to_pdf  # here: few sites attach the report to their bundles
    from adapter.write.report import report

    document = report(exam, catalogue, earlier)
    return RenderedReport(encoding, document.title, to_pdf(document) if encoding == "pdf" else to_html(document))


def presented_form(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> list[Json]:
    """DiagnosticReport.presentedForm as the site's settings have it: the report, or nothing."""
    encoding = catalogue.settings.attached_report
    return [rendered(exam, catalogue, encoding, earlier).as_attachment(exam, catalogue)] if encoding else []
