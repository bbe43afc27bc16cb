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
    words = catalogue.words
    lines = [heading(exam, reading, catalogue), f"  {age_in_words(exam, words)}"]
    lines += tells_in_words(exam, catalogue, earlier)
    skipped = [f for f in exam.findings if f.not_examined is not None]
    if skipped:
        lines.append(f"  {words.say('check.not_examined')}")
        lines += [f"    {in_words(f, catalogue.items[f.item], catalogue)}" for f in skipped]
    if reading.unrecorded:
        lines.append(f"  {words.say('check.not_recorded')}")
        regions: dict[str, list[str]] = {}
        for gap in reading.unrecorded:
            regions.setdefault(gap.region, []).append(gap.said(catalogue))
        for region, gaps in regions.items():
            lines.append(f"    {words.say('is', what=catalogue.regions[region].label, value=words.listed(gaps))}")
    return "\n".join(lines)


def heading(exam: Exam, reading: Reading, catalogue: Catalogue) -> str:
    """The first line: counts before anything else."""
    from adapter.catalogue.words import key_of

    details = exam.details
    skipped = sum(f.not_examined is not None for f in exam.findings)
    words, missing = catalogue.words, len(reading.unrecorded)
    status = None if details.status == "final" else words.say(f"check.status.{key_of(details.status.value)}")
    of = words.listed((catalogue.kinds[details.kind].inline, status))
    counts = words.say("check.counts", recorded=len(exam.findings) - skipped, skipped=skipped, missing=missing)
    return words.say("is", what=words.say("beside", words=details.id, of=of), value=counts)


def tells_in_words(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> list[str]:
    """The tell list by urgency, each line with reason, rule and source, and with earlier exams how it stands to them;
    what was not judged or computed, and why.

    Where nothing is to be told, that this is not the same as all normal.
    """
    from adapter.derive import (
        line_ids,
        other_in_words,
        section_key,
        sections,
        standing_in_words,
        told_in_words,
        under_lines,
    )
    from adapter.derive.signed import signed_in_words
    from adapter.derive.view import ExamView
    from adapter.exam import Urgency

    view, words = ExamView(exam, catalogue, earlier), catalogue.words
    urgent = any(one.line.urgency is not Urgency.NONE and not one.resolved for one in view.lines)
    lines = [] if urgent else [f"  {words.say('tell.nothing')}"]
    ids = dict(zip(map(id, view.notifications), line_ids(view.notifications), strict=True))
    for urgency, chosen in sections(view.lines):
        lines.append(f"  {words.say(f'tell.within.{section_key(urgency)}')}")
        for one in chosen:
            tell = one.line
            lines.append(f"    {tell.words}")
            lines += [f"      {standing}" for standing in [standing_in_words(one, words)] if standing]
            lines += [f"      {told_in_words(told, tell, exam, catalogue)}" for told in one.told]
            lines += [f"      - {part}" for part in tell.because]
            lines.append(f"      {tell.reason}  [{ids.get(id(tell), tell.rule)}; {tell.source}]")
    if signed := signed_in_words((one.line for one in view.lines if not one.resolved), catalogue):
        lines.append(f"  {signed}")
    if others := view.told.others:
        lines.append(f"  {words.say('check.others')}")
        lines += [f"    {other_in_words(one, exam, catalogue)}" for one in others]
    if under := under_lines(view.findings):
        lines.append(f"  {words.say('check.under_lines')}")
        lines += [f"    {one.finding.text}" for one in under]
    if not_judged := view.not_judged:
        lines.append(f"  {words.say('check.not_judged')}")
        for reason, findings in not_judged:
            lines += [f"    {reason}", *(f"      - {one.words}" for one in findings)]
    if view.withheld:
        lines.append(f"  {words.say('check.not_computed')}")
        lines += [f"    {one.said(words)}" for one in view.withheld]
    return lines


def abnormal_count(exam: Exam, catalogue: Catalogue) -> int:
    """How many findings are abnormal by their answer or range."""
    from adapter.catalogue import Meaning
    from adapter.derive import judge

    judged = (judge(f, catalogue.items[f.item], exam, catalogue) for f in exam.findings if f.not_examined is None)
    return sum(one is not None and one.meaning is Meaning.ABNORMAL for one in judged)


def cautions(catalogue: Catalogue) -> str:
    """Whose ranges and urgencies are in force, and what such a list is not."""
    policy, words = catalogue.settings.policy, catalogue.words
    return f"{words.say('check.policy', policy=policy.name, date=policy.date)}\n{words.say('check.caution')}"


def say_standing(catalogue: Catalogue) -> None:
    """What stands against the proof of a site's codes, where the site wants to hear it."""
    from adapter.catalogue.uses import standing

    for problem in standing(catalogue):
        tell(problem)
