"""The report of an exam as one MDM^T02 (HL7 v2.5.1, chapter 9), for receivers that take documents and no results."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.v2.er7 import Unsayable, joined, moment, segment, text
from adapter.write.attached import rendered
from adapter.write.outward import NotWritable
from adapter.write.v2.coded import Coder, designator
from adapter.write.v2.header import message_header, people, with_control_id
from adapter.write.v2.judge import encoded, problem
from adapter.write.v2.message import ATTACHED
from adapter.write.v2.results import STATUS

_PRESENTED = {"pdf": "AP", "html": "TEXT"}
"""TXA-3, table 0191."""
_DOCUMENTED, _AVAILABLE = "DO", "AV"
"""TXA-17 (table 0271): nobody has authenticated it. TXA-19 (table 0273)."""


def to_mdm(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> bytes:
    """The message: T02 (original) of an exam as first recorded, T10 (replacement) of one that corrects or retracts
    another, which TXA-13 names. ``earlier`` as in :func:`~adapter.write.v2.message.to_oru`.

    Raises :class:`~adapter.write.outward.NotWritable`, and :class:`adapter.document.PdfNotInstalled`.
    """
    settings, event = catalogue.v2, "T02" if exam.details.status is Status.FINAL else "T10"
    try:
        segments = [
            message_header(exam, catalogue, f"MDM^{event}^MDM_T02"),
            *people(exam, catalogue, Coder(catalogue), of_event=True),
            *_document(exam, catalogue, earlier),
        ]
    except Unsayable as error:
        raise NotWritable([problem("no-place", str(error))]) from None
    return encoded(with_control_id(segments), settings)


def _document(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam]) -> list[str]:
    """TXA, and the report in one OBX."""
    settings, details, coder = catalogue.v2, exam.details, Coder(catalogue)
    kind = settings.document.format

    def number(of: str | None) -> str:
        return joined([text(of), designator(settings.sending_application)]) if of else ""

    header = {
        1: "1",
        2: settings.document.type,
        3: _PRESENTED[kind],
        4: moment(details.started),
        5: joined([coder.observer(examiner) for examiner in details.examiners], "~"),
        6: moment(details.made),
        12: number(details.id),
        13: number(details.amends),
        15: number(details.root),
        16: text(f"{details.id}.{kind}"),
        17: _DOCUMENTED,
        19: _AVAILABLE,
    }
    result = {
        1: "1",
        2: "ED",
        3: coder.pair([], coder.ours(ATTACHED, catalogue.words.say("v2.report"))),
        4: "1",
        5: rendered(exam, catalogue, kind, earlier).as_ed(),
        11: STATUS[details.status.value],
        14: moment(details.started),
        **coder.performed(),
    }
    return [segment("TXA", header), segment("OBX", result)]
