"""Each rule that is on at work: an invented exam in which it holds, and its line in that exam's list."""

from __future__ import annotations

from collections.abc import Iterator

from adapter.catalogue import Catalogue
from adapter.catalogue.rules import Rule
from adapter.derive.every_rule import Played, exam_of
from adapter.derive.view import ExamView
from adapter.problems import Problem


def rules_at_work(catalogue: Catalogue) -> tuple[dict[str, Played], list[Problem]]:
    """The exams by rule, and the rules of which none could be made, or of which their own exam's list has no line."""
    exams: dict[str, Played] = {}
    problems: list[Problem] = []
    for rule in (rule for rule in catalogue.rules.values() if rule.on):
        if (played := exam_of(rule, catalogue)) is not None:
            exams[rule.id] = played
            problems += _told(rule, played, catalogue)
        else:
            what = f"rule {rule.id}: no exam could be made in which it holds"
            remedy = "conditions that findings of this catalogue fulfil together; or on: false"
            problems.append(catalogue.fault(("rules", rule.id), "never-holds", what, remedy, says="when"))
    return exams, problems


def _told(rule: Rule, played: Played, catalogue: Catalogue) -> Iterator[Problem]:
    """A rule that holds is told: by its own line, or that of one that says more."""
    own = {rule.id, *(other.id for other in catalogue.rules.values() if rule.id in other.replaces)}
    if not own & {line.rule for line in ExamView(played.exam, catalogue, played.earlier).notifications}:
        what = f"rule {rule.id} holds of an invented exam, and its list has no line of it"
        yield catalogue.fault(("rules", rule.id), "never-told", what, "an urgency that is told", says="urgency")
