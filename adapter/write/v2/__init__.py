"""HL7 v2.5.1: an exam as ORU^R01, its report as MDM^T02."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.write.v2.document import to_mdm
from adapter.write.v2.message import to_oru, unjudged


def write(
    exam: Exam,
    catalogue: Catalogue,
    kind: str,
    encoding: str,
    *,
    pretty: bool = False,
    earlier: Sequence[Exam] = (),
) -> bytes:
    """The message of an exam; ``kind`` is ``v2``, its results, or ``v2-document``, its report.

    ``earlier``: of those that are versions of this exam, what it no longer holds is sent as withdrawn; with those
    that are earlier exams of this newborn it is judged. ``pretty`` changes nothing: ER7 has one form.
    """
    if kind == "v2-document":
        return to_mdm(exam, catalogue, earlier)
    same = [one for one in earlier if one.details.root == exam.details.root and one.details.id != exam.details.id]
    versions = ["\r".join(unjudged(one, catalogue, attached=False)).encode() for one in same]
    return to_oru(exam, catalogue, versions, earlier=earlier)


__all__ = ["to_mdm", "to_oru", "write"]
