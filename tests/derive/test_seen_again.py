"""A line of a rule is resolved by what was seen, never by the clock.

The rules' hours say how soon after birth, or after one another, findings mean what the rule says: jaundice before 24
hours, a hard birth and signs before six (NICE CG98 1.4, NG195 1.3; the sources stand with the rules). The same
findings, seen again when these hours are over, are no recovery. That a risk alone has passed its hours is said so.
"""

from __future__ import annotations

from datetime import timedelta

import pytest
from rule_cases import CASES
from rule_cases.words import BLOOD_BILIRUBIN, Case, exams_of
from scenes import CATALOGUE, read, rules_held, said, scene

from adapter.catalogue.model import Sides
from adapter.derive import SeriesLine, Standing, series_list
from adapter.exam import Exam, Finding, Side, Urgency

FIRES = [(rule, one) for rule, (fires, _) in CASES.items() if CATALOGUE.rules[rule].on for one in fires]

ANSWERED = {"low_screen_reading_without_result"}
"""Of it the same reading a day later is the attempt that has a result: that was what it asked for."""


def _again(exam: Exam, hours: int) -> Exam:
    """The very same findings, so many hours later."""
    started = exam.details.started + timedelta(hours=hours)
    details = exam.details.model_copy(update={"id": "again", "started": started, "ended": None, "recorded": None})
    findings = tuple(one.model_copy(update={"observed_at": None}) for one in exam.findings)
    return exam.model_copy(update={"details": details, "findings": findings, "told": ()})


def _line(rule: str, lines: tuple[SeriesLine, ...]) -> SeriesLine | None:
    return next((one for one in lines if one.line.rule == rule), None)


@pytest.mark.parametrize("rule", sorted({rule for rule, _ in FIRES}))
def test_the_same_findings_seen_again_resolve_no_line_of_a_rule(rule: str) -> None:
    for given in (given for other, given in FIRES if other == rule):
        exam, earlier = exams_of(given)
        here = _line(rule, series_list(earlier, exam, CATALOGUE))
        if here is None or here.resolved or here.line.urgency is Urgency.NONE:
            continue  # another line stands for it
        for hours in (1, 6, 24, 72, 240):
            after = _line(rule, series_list([*earlier, exam], _again(exam, hours), CATALOGUE))
            assert after is None or after.standing is not Standing.RESOLVED or rule in ANSWERED, (given, hours)


def test_yellow_in_the_first_day_stands_until_a_bilirubin_is_measured() -> None:
    early = scene(said("jaundice", "before_24h"), hours="20")
    still = said("jaundice", "face_or_chest_after_24h")
    expected = {(still,): Standing.STILL, (still, BLOOD_BILIRUBIN): Standing.RESOLVED, (): Standing.NOT_LOOKED_AT}
    for findings, standing in expected.items():
        later = scene(*findings, hours="30", exam_id="later")
        line = _line("jaundice_first_24h", series_list([early], later, CATALOGUE))
        assert line is not None
        assert line.standing is standing, findings
    none = scene(said("jaundice", "none"), hours="30", exam_id="later")
    line = _line("jaundice_first_24h", series_list([early], none, CATALOGUE))
    assert line is not None
    assert line.standing is Standing.RESOLVED


def test_a_sign_that_went_resolves_and_one_that_only_changed_does_not() -> None:
    sick = scene(said("alertness", "lethargic"), said("birth_events", "cord_acidosis"), hours="5")
    for answer, standing in (
        ("irritable_inconsolable", Standing.STILL),
        ("rouses_easily_settles", Standing.RESOLVED),
    ):
        later = scene(said("alertness", answer), hours="9", exam_id="later")
        line = _line("encephalopathy_window", series_list([sick], later, CATALOGUE))
        assert line is not None
        assert line.standing is standing


def test_low_glucose_twice_stands_while_it_is_as_low() -> None:
    low = [scene(read("glucose", "30", "mg/dL"), hours=at, exam_id=f"at-{at}") for at in ("20", "22")]
    for value, standing in (("35", Standing.STILL), ("70", Standing.RESOLVED)):
        later = scene(read("glucose", value, "mg/dL"), hours="60", exam_id="later")
        line = _line("glucose_low_twice", series_list(low, later, CATALOGUE))
        assert line is not None
        assert line.standing is standing


def test_a_risk_whose_hours_are_over_is_said_to_be_so_and_not_resolved() -> None:
    risks = scene(said("infection_risks", "group_b_streptococcus"), said("infection_risks", "membranes_over_24h"))
    later = scene(said("cry", "strong"), hours="80", exam_id="later")
    line = _line("infection_risks_two", series_list([risks], later, CATALOGUE))
    assert line is not None
    assert line.standing is Standing.OVER
    assert line.resolved


NEVER = [
    (rule, given)
    for rule, given in FIRES
    if any(leaf.never for leaf in CATALOGUE.rules[rule].when.leaves()) and "before" not in given[1]
]


@pytest.mark.parametrize(("rule", "given"), NEVER)
def test_what_was_never_recorded_is_answered_over_exams_by_itself_alone(rule: str, given: Case) -> None:
    """Whatever else an earlier exam recorded, of each item and answer, takes such a line away no more than here."""
    exam, _ = exams_of(given)
    asked = {leaf.item: leaf.answers for leaf in CATALOGUE.rules[rule].when.leaves() if leaf.never}
    own = {one.item for one in exam.findings}
    details = exam.details.model_copy(
        update={"id": "before", "started": exam.details.started - timedelta(minutes=30)}
    )

    def held(*before: Finding) -> bool:
        return rule in rules_held(exam, CATALOGUE, [exam.model_copy(update={"details": details, "findings": before})])

    every = [
        said(item.id, answer.id, side=Side.LEFT if item.sides is not Sides.NONE else None)
        for item in CATALOGUE.items.values()
        for answer in item.answers
        if item.id not in own
    ]
    assert held(*(one for one in every if one.item not in asked))
    for one in every:
        if answers := asked.get(one.item):
            assert one.answer in answers or held(one), one
