"""HL7 v2.5.1: an exam as ORU^R01."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.write.v2.message import to_oru


def write(
    exam: Exam,
    catalogue: Catalogue,
    kind: str,
    encoding: str,
    *,
    pretty: bool = False,
    earlier: Sequence[Exam] = (),
) -> bytes:
    """The message of an exam. ``earlier``: of those that are versions of this exam, what it no longer holds is sent
    as withdrawn; with those that are earlier exams of this newborn it is judged. ``pretty`` changes nothing: ER7 has
    one form."""
    same = [one for one in earlier if one.details.root == exam.details.root and one.details.id != exam.details.id]
    return to_oru(exam, catalogue, [to_oru(one, catalogue) for one in same], earlier=earlier)


__all__ = ["to_oru", "write"]
