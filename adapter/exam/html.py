"""An exam as a notebook shows it: its findings as a table, without the newborn's name or numbers.

What is shown was captured; nothing is judged, and what is not in the table was not recorded.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from adapter.exam.model import Exam, Finding

_HEADINGS = ("item", "side", "place", "found", "not examined", "state", "method", "made at", "note")


def exam_html(exam: Exam) -> str:
    """The exam and all its findings."""
    details = exam.details
    started = details.started.isoformat(timespec="minutes")
    caption = f"Exam {details.id}, {details.kind}, {started}, {details.status.value}: {len(exam.findings)} findings"
    return _shown(caption, exam.findings)


def finding_html(finding: Finding) -> str:
    """One finding."""
    return _shown("Finding", [finding])


def _shown(caption: str, findings: Iterable[Finding]) -> str:
    from adapter.document import of_texts  # not loaded until a notebook asks

    return of_texts(caption, _HEADINGS, [_row(finding) for finding in findings])


def _row(finding: Finding) -> tuple[str, ...]:
    made = finding.observed_at.isoformat(timespec="minutes") if finding.observed_at else ""
    side = finding.side.value if finding.side else ""
    return (
        finding.item,
        side,
        finding.site or "",
        _found(finding),
        finding.not_examined or "",
        finding.state or "",
        finding.method or "",
        made,
        finding.note or "",
    )


def _found(finding: Finding) -> str:
    """As it was captured, digit for digit."""
    if finding.quantity is not None:
        one, plus = finding.quantity, finding.quantity.plus
        more = f" + {plus.value:f} {plus.unit}" if plus else ""
        return f"{one.comparator.value if one.comparator else ''}{one.value:f} {one.unit}{more}"
    if finding.quantities is not None:
        numbers = ", ".join(f"{name} {number:f}" for name, number in finding.quantities.components.items())
        return f"{numbers} {finding.quantities.unit}"
    if finding.score is not None:
        signs = [f"{sign}: {answer}" for sign, answer in finding.score.signs.items()]
        total = [] if finding.score.total is None else [f"total {finding.score.total}"]
        return ", ".join([*total, *signs])
    if finding.moment is not None:
        return finding.moment.isoformat(timespec="minutes")
    return finding.answer or finding.text or ""
