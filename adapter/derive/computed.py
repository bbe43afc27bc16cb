"""Findings the software makes from what was captured; a captured value is never replaced."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.derive.attempts import attempts
from adapter.derive.finding import FindingView, facts
from adapter.derive.hours import lines_by_hour
from adapter.derive.judged import captured_views, computed_views, judged_by_tables
from adapter.derive.made import Computed, Withheld
from adapter.derive.rules import rule_findings
from adapter.derive.scores import incomplete_scores
from adapter.derive.symmetry import side_differences
from adapter.exam import Exam


def computed_findings(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> tuple[Computed, ...]:
    """All findings that can be computed from this exam and that nobody captured.

    First those of ages, sizes, scores and screens, then differences between sides, then the rules that hold; each
    may rest on those before it. ``earlier`` are exams of the same newborn before this one, oldest first, over which a
    rise, a repeated screen and the weight are worked out too, and whose risks count for rules.
    """
    return judged_findings(exam, catalogue, earlier)[0]


def judged_findings(
    exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()
) -> tuple[tuple[Computed, ...], list[FindingView]]:
    """The computed findings, and all findings with their judgements, captured ones first."""
    shared = facts(exam, catalogue)
    pool = captured_views(shared)
    by_lines = list(lines_by_hour(exam, catalogue, earlier)) if catalogue.hours else []
    if by_lines:
        pool = judged_by_tables(pool, by_lines, catalogue)
    made = [one for one in (*attempts(exam, catalogue, earlier), *by_lines) if isinstance(one, Computed)]
    made += side_differences(pool, catalogue)
    pool += computed_views(shared, made, len(pool))
    rules = rule_findings(exam, pool, catalogue, earlier)
    pool += computed_views(shared, rules, len(pool))
    return (*made, *rules), pool


def withheld(exam: Exam, catalogue: Catalogue, earlier: Sequence[Exam] = ()) -> tuple[Withheld, ...]:
    """What could not be computed although something of it was captured, each with the reason."""
    found = [
        *incomplete_scores(exam, catalogue),
        *attempts(exam, catalogue, earlier),
        *lines_by_hour(exam, catalogue, earlier),
    ]
    return tuple(one for one in found if isinstance(one, Withheld))
