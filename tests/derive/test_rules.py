"""Every rule: what fires it, what nearly does, and one half missing. The sources stand with the rules
(``mappings/rules.yaml``) and with the cases (``rule_cases``)."""

from __future__ import annotations

import pytest
from rule_cases import CASES, Case
from rule_cases.words import DIMPLE, RATE_61
from scenes import CATALOGUE, made, pressure, rules_held, said, scene, tells, with_all_rules_on

from adapter.derive import judge
from adapter.exam import Exam, Sex, Urgency

ALL_ON = with_all_rules_on()


def _exam(given: Case) -> Exam:
    findings, more = given
    return scene(*findings, **more)


def test_every_rule_has_a_case_that_fires_it_and_one_that_nearly_does() -> None:
    assert set(CASES) == set(CATALOGUE.rules)
    assert all(fires and nearly for fires, nearly in CASES.values())


@pytest.mark.parametrize(("rule", "given"), [(rule, c) for rule, (fires, _) in CASES.items() for c in fires])
def test_a_rule_holds(rule: str, given: Case) -> None:
    exam = _exam(given)
    assert rule in rules_held(exam, ALL_ON)
    one = next(o for o in made(exam, "cross_finding", ALL_ON) if o.maker is not None and o.maker.id == rule)
    assert one.derived_from, "a rule rests on findings"
    assert one.urgency is ALL_ON.rules[rule].urgency


def test_half_of_what_fires_a_rule_does_not_and_is_told_by_itself() -> None:
    for rule, (fires, _) in CASES.items():
        # a case may say more than the rule needs; one at least says no more
        halves = [[_exam((f[:n] + f[n + 1 :], more)) for n in range(len(f))] for f, more in fires]
        assert any(all(rule not in rules_held(exam, ALL_ON) for exam in some) for some in halves), rule
        for exam in (exam for some in halves for exam in some):
            on_the_list = {index for line in tells(exam, ALL_ON) for index in line.rests_on}
            alone = [judge(one, ALL_ON.items[one.item], exam, ALL_ON) for one in exam.findings]
            told = {n for n, judged in enumerate(alone) if judged and judged.urgency is not Urgency.NONE}
            assert told <= on_the_list, (rule, exam.findings)


@pytest.mark.parametrize(("rule", "given"), [(rule, c) for rule, (_, nearly) in CASES.items() for c in nearly])
def test_a_rule_that_is_nearly_met_does_not_hold(rule: str, given: Case) -> None:
    assert rule not in rules_held(_exam(given), ALL_ON)


@pytest.mark.parametrize(("rule", "given"), [(rule, c) for rule, (fires, _) in CASES.items() for c in fires])
def test_what_a_rule_finds_is_told_by_it_or_by_one_that_says_more(rule: str, given: Case) -> None:
    listed = tells(_exam(given), ALL_ON)
    said_by = {line.rule for line in listed}
    more = {other.id for other in ALL_ON.rules.values() if rule in other.replaces}
    assert said_by & {rule, *more}
    for line in listed:
        assert line.reason
        assert line.source


def test_a_rule_that_is_off_says_nothing() -> None:
    off = [rule for rule in CATALOGUE.rules.values() if not rule.on]
    assert off, "what rests on memory alone ships switched off"
    assert all(CATALOGUE.sources[rule.source].mark == "memory" for rule in off)
    for rule in off:
        for given in CASES[rule.id][0]:
            assert rule.id not in rules_held(_exam(given))


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
