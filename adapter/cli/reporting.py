"""Problems and exams in words, for a person at a terminal."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from adapter.cli.log import tell
from adapter.problems import Problem, Report, Severity

if TYPE_CHECKING:
    from adapter.catalogue import Catalogue
    from adapter.exam import Exam
    from adapter.read import Reading
    from adapter.send.failures import Cause

CAUTION = (
    "Findings as recorded: a list for a licensed person, not a diagnosis. Local policy and licensed practitioners\n"
    "decide. Not examined and not recorded are not normal. Ranges and rules are this site's, for term infants;\n"
    "a value inside a range may still be wrong for this infant."
)


def counted(number: int, what: str) -> str:
    """``1 exam``, ``2 exams``."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def count_line(problems: Iterable[Problem]) -> str:
    """``2 errors, 1 warning``, or that there is none."""
    counts = Counter(problem.severity for problem in problems)
    parts = [counted(counts[s], s.value) for s in Severity if counts[s]]
    return ", ".join(parts) or "no problems"


def said(cause: Cause, reasons: Iterable[Problem]) -> str:
    """Where the trouble lies, the one thing to do, and what was said of it."""
    from adapter.send.failures import TO_DO

    lines = [f"the trouble lies with: {cause.value}", f"  needed: {TO_DO[cause]}"]
    return "\n".join([*lines, *(f"  {line}" for one in reasons for line in str(one).splitlines())])


def when(moment: float) -> str:
    """A moment (seconds since 1970) as ISO 8601 in UTC; one that has passed as ``now``."""
    if moment <= time.time():
        return "now"
    return datetime.fromtimestamp(min(moment, 253_370_764_800), UTC).isoformat(timespec="seconds")


def report_of(readings: Iterable[Reading]) -> Report:
    """The problems of several readings."""
    report = Report()
    for reading in readings:
        report.add(reading.problems)
    return report


def exam_in_words(reading: Reading, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> str:
    """One exam: what was examined, what was not and why, what is not recorded, what must be told; judged with
    those of ``earlier`` that are earlier exams of the newborn."""
    from adapter.derive import age_in_words, in_words

    exam = reading.exam
    if exam is None or not reading.accepted:
        return f"{reading.source}: refused, until the errors are mended"
    lines = [heading(exam, reading, catalogue), f"  {age_in_words(exam)}"]
    lines += tells_in_words(exam, catalogue, earlier)
    skipped = [f for f in exam.findings if f.not_examined is not None]
    if skipped:
        lines.append("  not examined")
        lines += [f"    {in_words(f, catalogue.items[f.item], catalogue)}" for f in skipped]
    if reading.unrecorded:
        lines.append("  not recorded, though expected of this kind of exam")
        regions: dict[str, list[str]] = {}
        for gap in reading.unrecorded:
            regions.setdefault(gap.region, []).append(str(gap))
        lines += [f"    {catalogue.regions[r].label}: {', '.join(gaps)}" for r, gaps in regions.items()]
    return "\n".join(lines)


def heading(exam: Exam, reading: Reading, catalogue: Catalogue) -> str:
    """The first line: counts before anything else."""
    details = exam.details
    skipped = sum(f.not_examined is not None for f in exam.findings)
    status = "" if details.status == "final" else f", {details.status.value}"
    return (
        f"{details.id} ({catalogue.kinds[details.kind].label.lower()}{status}): "
        f"{len(exam.findings) - skipped} recorded, {skipped} not examined, {len(reading.unrecorded)} not recorded"
    )


def tells_in_words(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> list[str]:
    """The tell list by urgency, each line with reason, rule and source, and with earlier exams how it stands to them;
    what was not judged or computed, and why.

    Where nothing is to be told, that this is not the same as all normal.
    """
    from adapter.derive import (
        NOTHING,
        RESOLVED,
        TITLES,
        line_ids,
        other_in_words,
        sections,
        standing_in_words,
        told_in_words,
        under_lines,
    )
    from adapter.derive.view import ExamView
    from adapter.exam import Urgency

    view = ExamView(exam, catalogue, earlier)
    urgent = any(one.line.urgency is not Urgency.NONE and not one.resolved for one in view.lines)
    lines = [] if urgent else [f"  {NOTHING}"]
    ids = dict(zip(map(id, view.notifications), line_ids(view.notifications), strict=True))
    for urgency, chosen in sections(view.lines):
        lines.append(f"  {TITLES[urgency] if urgency else RESOLVED}")
        for one in chosen:
            tell = one.line
            lines.append(f"    {tell.words}")
            lines += [f"      {standing}" for standing in [standing_in_words(one)] if standing]
            lines += [f"      {told_in_words(told, tell, exam, catalogue)}" for told in one.told]
            lines += [f"      - {part}" for part in tell.because]
            lines.append(f"      {tell.reason}  [{ids.get(id(tell), tell.rule)}; {tell.source}]")
    if others := view.told.others:
        lines.append("  told of what is not on the list")
        lines += [f"    {other_in_words(one, exam, catalogue)}" for one in others]
    if under := under_lines(view.findings):
        lines.append("  judged by the site's own tables, and under their lines")
        lines += [f"    {one.finding.text}" for one in under]
    if not_judged := view.not_judged:
        lines.append("  not judged: neither expected nor abnormal by any range of ours")
        for reason, findings in not_judged:
            lines += [f"    {reason}", *(f"      - {one.words}" for one in findings)]
    if view.withheld:
        lines.append("  not computed")
        lines += [f"    {reason}" for reason in view.withheld]
    return lines


def abnormal_count(exam: Exam, catalogue: Catalogue) -> int:
    """How many findings are abnormal by their answer or range."""
    from adapter.catalogue import Meaning
    from adapter.derive import judge

    judged = (judge(f, catalogue.items[f.item], exam, catalogue) for f in exam.findings if f.not_examined is None)
    return sum(one is not None and one.meaning is Meaning.ABNORMAL for one in judged)


def policy_line(catalogue: Catalogue) -> str:
    """Whose ranges and urgencies are in force."""
    policy = catalogue.settings.policy
    return f"Policy in force: {policy.name} ({policy.date})."


def say_standing(catalogue: Catalogue) -> None:
    """What stands against the proof of a site's codes, where the site wants to hear it."""
    from adapter.catalogue.uses import standing

    for problem in standing(catalogue):
        tell(problem)
