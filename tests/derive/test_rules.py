"""Every rule: what fires it, what nearly does, and one half missing. The sources stand with the rules
(``mappings/rules.yaml``) and with the cases (``rule_cases``)."""

from __future__ import annotations

import pytest
from rule_cases import CASES, Case
from rule_cases.words import DIMPLE, RATE_61, exams_of
from scenes import CATALOGUE, made, pressure, rules_held, said, scene, tells, with_all_rules_on

from adapter.catalogue import When
from adapter.derive import judge
from adapter.exam import Sex, Urgency

ALL_ON = with_all_rules_on()


def test_every_rule_has_a_case_that_fires_it_and_one_that_nearly_does() -> None:
    assert set(CASES) == set(CATALOGUE.rules)
    assert all(fires and nearly for fires, nearly in CASES.values())


@pytest.mark.parametrize("rule", CASES)
def test_a_rule_holds(rule: str) -> None:
    def holds(given: Case) -> bool:
        exam, earlier = exams_of(given)
        found = (one for one in made(exam, "cross_finding", ALL_ON, earlier) if one.maker and one.maker.id == rule)
        one = next(found, None)
        rests = one is not None and bool(one.derived_from or one.earlier)  # a rule rests on findings
        return rule in rules_held(exam, ALL_ON, earlier) and rests and one.urgency is ALL_ON.rules[rule].urgency

    assert [given for given in CASES[rule][0] if not holds(given)] == []


def test_half_of_what_fires_a_rule_does_not_and_is_told_by_itself() -> None:
    for rule, (fires, _) in CASES.items():
        # a case may say more than the rule needs; one at least says no more
        halves = [[exams_of((f[:n] + f[n + 1 :], more)) for n in range(len(f))] for f, more in fires]
        assert any(all(rule not in rules_held(exam, ALL_ON, old) for exam, old in some) for some in halves), rule
        answered = any(leaf.never for leaf in ALL_ON.rules[rule].when.leaves())  # too long ago, it says nothing
        alone = [exams_of((f, {**more, "before": {}})) for f, more in fires if "before" in more and not answered]
        assert all(rule not in rules_held(exam, ALL_ON) for exam, _ in alone), rule
        for exam, earlier in (one for some in halves for one in some):
            on_the_list = {index for line in tells(exam, ALL_ON, earlier) for index in line.rests_on}
            alone = [judge(one, ALL_ON.items[one.item], exam, ALL_ON) for one in exam.findings]
            told = {n for n, judged in enumerate(alone) if judged and judged.urgency is not Urgency.NONE}
            assert told <= on_the_list, (rule, exam.findings)


@pytest.mark.parametrize("rule", CASES)
def test_a_rule_that_is_nearly_met_does_not_hold(rule: str) -> None:
    nearly = [(given, *exams_of(given)) for given in CASES[rule][1]]
    assert [given for given, exam, earlier in nearly if rule in rules_held(exam, ALL_ON, earlier)] == []


@pytest.mark.parametrize("rule", CASES)
def test_what_a_rule_finds_is_told_by_it_or_by_one_that_says_more(rule: str) -> None:
    more = {other.id for other in ALL_ON.rules.values() if rule in other.replaces}
    for given in CASES[rule][0]:
        exam, earlier = exams_of(given)
        listed = tells(exam, ALL_ON, earlier)
        assert {line.rule for line in listed} & {rule, *more}, given
        assert all(line.reason and line.source for line in listed), given


def test_a_rule_that_is_off_says_nothing() -> None:
    off = [rule for rule in CATALOGUE.rules.values() if not rule.on]
    assert off, "what rests on memory alone, or is for a clinician to read first, ships switched off"
    assert {CATALOGUE.sources[rule.source].mark for rule in off} == {"memory", "common-practice"}
    assert all("clinician" in rule.reason for rule in off)
    for rule in off:
        for exam, earlier in map(exams_of, CASES[rule.id][0]):
            assert rule.id not in rules_held(exam, earlier=earlier)


def test_a_rule_stands_for_its_findings_and_no_finding_is_lost() -> None:
    exam = scene(RATE_61, said("grunting", "stethoscope_only"), said("nasal_flaring", "mild"), sex=Sex.FEMALE)
    (line,) = tells(exam)
    assert line.rule == "breathing_distress"
    assert line.urgency is Urgency.TELL_NOW
    assert line.because == (
        "Respiratory rate: 61 /min",
        "Expiratory grunting: Heard with the stethoscope only",
        "Nasal flaring: Mild",
    )


def test_a_finding_more_urgent_than_its_rule_keeps_a_line_of_its_own() -> None:
    # A small jaw that obstructs is told now; the hip rule is told at the next round and does not hide it.
    jaw = said("jaw", "small_with_obstructed_breathing")
    dimple = [DIMPLE, said("spine_midline_skin", "hair_tuft"), said("sacral_dimple_base", "discharging")]
    lines = tells(scene(jaw, *dimple))
    assert [line.rule for line in lines if line.urgency is Urgency.TELL_NOW] == [
        "jaw.small_with_obstructed_breathing",
        "sacral_dimple_base.discharging",
    ]
    assert [line.rule for line in lines if line.urgency is Urgency.TELL] == ["dimple_with_another_mark"]


def test_two_readings_of_one_pressure_on_one_limb_are_no_gap() -> None:
    assert rules_held(scene(pressure("right_arm", 90, 50))) == set()


def _found(leaf: When) -> bool:
    """Whether a leaf asks for what an examination found, and not for what lasts, is missing, or asks by itself of
    earlier exams."""
    asks = leaf.item is not None and not (leaf.not_recorded or leaf.never or leaf.earlier)
    return asks and not CATALOGUE.items[leaf.item or ""].lasting


def _of_one_exam(when: When) -> bool:
    """Whether it takes several findings, and counts those of one exam alone."""
    if when.counts_together:
        return False
    if not when.parts:
        return when.minus is not None
    needed = when.at_least or (len(when.parts) if when.all else 1)
    several = needed > 1 and sum(any(map(_found, part.leaves())) for part in when.parts) > 1
    own_change = any(leaf.change for leaf in when.leaves())  # asks of earlier exams by itself, and so do the others
    return (several and not own_change) or when.both_sides or any(map(_of_one_exam, when.parts))


def test_a_rule_of_several_findings_counts_over_exams_or_says_why_not() -> None:
    """And each that counts over exams has a case of two exams that fires it, and that one of them alone does not."""
    of_one = {rule.id for rule in CATALOGUE.rules.values() if _of_one_exam(rule.when)}
    assert of_one == {rule.id for rule in CATALOGUE.rules.values() if rule.one_exam}
    for rule in CATALOGUE.rules.values():
        over = list(rule.when.asked_over_exams())
        fires, nearly = (any("before" in more for _, more in some) for some in CASES[rule.id])
        assert fires or all(leaf.never for leaf in over), rule.id
        assert nearly or not over, rule.id
