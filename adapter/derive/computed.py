"""Findings the software makes from what was captured; a captured value is never replaced."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue
from adapter.derive.bilirubin import rises
from adapter.derive.evidence import evidence
from adapter.derive.made import Computed, Withheld
from adapter.derive.rules import rule_findings
from adapter.derive.scores import estimates, incomplete_scores
from adapter.derive.screening import screen
from adapter.derive.size import sizes
from adapter.derive.symmetry import side_differences
from adapter.exam import Exam


def computed_findings(exam: Exam, catalogue: Catalogue) -> tuple[Computed, ...]:
    """All findings that can be computed from this exam and that nobody captured.

    First those of ages, sizes, scores and screens, then differences between sides, then the rules that hold; each
    may rest on those before it.
    """
    made = [one for one in _attempts(exam, catalogue) if isinstance(one, Computed)]
    made += side_differences(evidence(exam, (), catalogue), catalogue)
    made += rule_findings(exam, evidence(exam, made, catalogue), catalogue)
    return tuple(made)


def withheld(exam: Exam, catalogue: Catalogue) -> tuple[Withheld, ...]:
    """What could not be computed although something of it was captured, each with the reason."""
    found = [*incomplete_scores(exam, catalogue), *_attempts(exam, catalogue)]
    return tuple(one for one in found if isinstance(one, Withheld))


def _attempts(exam: Exam, catalogue: Catalogue) -> Iterator[Computed | Withheld]:
    yield from sizes(exam, catalogue)
    yield from estimates(exam, catalogue)
    yield from screen(exam, catalogue)
    yield from rises(exam, catalogue)
