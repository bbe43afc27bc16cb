"""An infant's exams judged together: no alarm goes silent because a later exam says less."""

from __future__ import annotations

from datetime import timedelta

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scenes import BORN, CATALOGUE, read, said, saturations, scene

from adapter.derive import Standing, changes, computed_findings, series_list, tell_list
from adapter.derive.changes import ChangeKind
from adapter.exam import Exam, Finding, Score, Urgency
from adapter.read import check_exam


def exam(name: str, hours: str, *findings: Finding) -> Exam:
    return scene(*findings, hours=hours, exam_id=name)


def said_at(site: str, percent: str) -> Finding:
    return read("oxygen_saturation", percent, "%", site=site)


def told(one: Exam) -> dict[str, Urgency]:
    lines = tell_list(one, computed_findings(one, CATALOGUE), CATALOGUE)
    return {line.item.id: line.urgency for line in lines if line.urgency is not Urgency.NONE and not line.to_do}


def listed(earlier: list[Exam], last: Exam) -> dict[tuple[str, str | None], Standing]:
    lines = series_list(earlier, last, CATALOGUE)
    return {(one.line.item.id, one.line.side): one.standing for one in lines if not one.line.to_do}


# The screen as published (Kemper, Pediatrics 2011;128:e1259): any reading under 90 % is a fail at once.


def test_an_incomplete_later_attempt_does_not_take_back_a_very_low_reading() -> None:
    low, hand_alone, passed = saturations(85, 84, "20"), saturations(97, None, "25"), saturations(98, 99, "26")
    for findings in ((low,), (low, hand_alone), (low, passed), (low, hand_alone, passed), (passed, low)):
        assert told(scene(*findings, hours="27"))["cchd_screen"] is Urgency.TELL_NOW, findings


def test_nor_does_a_pass_in_a_later_exam() -> None:
    early = exam("a", "20", saturations(85, 84, "20"))
    late = exam("b", "26", saturations(98, 99, "26"))
    assert listed([early], late) == {("cchd_screen", None): Standing.STILL}
    [line] = [one for one in series_list([early], late, CATALOGUE) if one.line.item.id == "cchd_screen"]
    assert line.exams == ("a", "b")
    assert line.line.urgency is Urgency.TELL_NOW
    # and where the later exam has no reading at all, the fail is not forgotten
    assert listed([early], exam("b", "26"))[("cchd_screen", None)] is Standing.NOT_LOOKED_AT


def test_a_repeat_in_another_exam_counts_as_one() -> None:
    """Three attempts of 93 and 93: a fail (Kemper 2011, figure 1), wherever they were recorded."""
    first = exam("a", "25", saturations(93, 93, "25"))
    second = exam("b", "26", saturations(93, 93, "26"))
    third = exam("c", "27", saturations(93, 93, "27"))
    found = computed_findings(third, CATALOGUE, [first, second])
    [screen] = [one for one in found if one.finding.item == "cchd_screen"]
    assert (screen.finding.value, screen.exams) == ("fail", ("a", "b"))


# AAP 2022 (Pediatrics 150(3):e2022058859): a rise of 0.3 mg/dL an hour in the first 24 h, 0.2 later, is rapid.


@pytest.mark.parametrize(
    ("early", "late", "urgency"),
    [
        (("6", "10"), ("10", "20"), Urgency.TELL_NOW),
        (("6", "10"), ("7", "20"), None),
        (("6", "30"), ("10", "40"), "told"),
    ],
)
def test_a_fast_rise_is_told_across_exams(
    early: tuple[str, str], late: tuple[str, str], urgency: Urgency | str | None
) -> None:
    first = exam("a", early[1], read("serum_bilirubin", early[0], "mg/dL"))
    last = exam("b", late[1], read("serum_bilirubin", late[0], "mg/dL"))
    lines = [one for one in series_list([first], last, CATALOGUE) if one.line.item.id == "bilirubin_rise"]
    assert bool(lines) is (urgency is not None)
    for one in lines:
        assert one.standing is Standing.NEW
        if isinstance(urgency, Urgency):
            assert one.line.urgency is urgency
    together = scene(
        read("serum_bilirubin", early[0], "mg/dL", observed_at=BORN + timedelta(hours=int(early[1]))),
        read("serum_bilirubin", late[0], "mg/dL"),
        hours=late[1],
    )
    assert ("bilirubin_rise" in told(together)) is bool(lines)


@pytest.mark.parametrize("item", ["serum_bilirubin", "transcutaneous_bilirubin"])
def test_a_sample_drawn_before_the_exam_belongs_to_it(item: str) -> None:
    drawn = read(item, "6", "mg/dL", observed_at=BORN + timedelta(hours=9, minutes=30))
    assert "before-exam" not in {problem.rule for problem in check_exam(exam("a", "10", drawn), CATALOGUE)}


def test_the_weight_counts_from_the_birth_weight_of_an_earlier_exam() -> None:
    first = exam("a", "2", read("birth_weight", "3400", "g"))
    last = exam("b", "60", read("weight", "2900", "g"))
    [loss] = [c for c in computed_findings(last, CATALOGUE, [first]) if c.finding.item == "weight_change_percent"]
    assert str(loss.finding.value) == "-14.7 %"
    assert loss.exams == ("a",)


def test_what_was_worked_out_in_an_earlier_exam_counts_for_rules_over_exams() -> None:
    """Weight lost in one exam and lethargy in the next; a failed screen and then a weak femoral pulse."""
    lost = exam("a", "60", read("birth_weight", "3000", "g"), read("weight", "2690", "g"))
    failed = exam("a", "60", saturations(85, 84, "60"))
    for first, sign, rule in (
        (lost, said("alertness", "lethargic"), "dehydration"),
        (failed, said("femoral_pulse", "weak", side="left"), "duct_dependent_circulation"),
    ):
        last = exam("b", "70", sign)
        [line] = [one for one in series_list([first], last, CATALOGUE) if one.line.rule == rule]
        assert (line.standing, line.line.urgency, line.exams) == (Standing.NEW, Urgency.TELL_NOW, ("a", "b"))
        # it rests on what was captured there, and is resolved when all of that was seen again
        [made] = [c for c in computed_findings(last, CATALOGUE, [first]) if c.maker and c.maker.id == rule]
        assert {one.number for one in made.earlier} == {*range(len(first.findings))}
        after = [one for one in series_list([first, last], exam("c", "99"), CATALOGUE) if one.line.rule == rule]
        assert [one.standing for one in after] == [Standing.NOT_LOOKED_AT]


def test_what_was_found_at_birth_is_still_so_and_not_to_be_looked_at_again() -> None:
    """AAP and ACOG 2015: 4 to 6 at 5 minutes is moderately abnormal; nobody can score it again."""
    first = exam("a", "1", Finding(item="apgar_5_min", value=Score(total=5)))
    assert told(first)["apgar_5_min"] is Urgency.TELL
    assert listed([first], exam("b", "30"))[("apgar_5_min", None)] is Standing.STILL


@pytest.mark.parametrize(
    ("birth", "between", "hours", "rule", "standing"),
    [
        # US panel on HIV: begun as near to the birth as possible; told now for 72 hours and no longer
        (said("mother_history", "hiv"), None, "20", "hiv_mother", Standing.STILL),
        (said("mother_history", "hiv"), None, "80", "hiv_mother", Standing.OVER),
        # MSD manual: vaccine and immunoglobulin; told until they are recorded, here or in an exam between
        (said("mother_history", "hepatitis_b"), None, "200", "hepatitis_b_mother", Standing.STILL),
        (
            said("mother_history", "hepatitis_b"),
            said("hepatitis_b_vaccine", "given_with_immunoglobulin"),
            "20",
            "hepatitis_b_mother",
            Standing.RESOLVED,
        ),
        # NICE NG195: risks from the birth count for 72 hours
        (said("infection_risks", "chorioamnionitis"), None, "80", "infection_risks_two", Standing.OVER),
    ],
)
def test_a_rule_on_what_lasts_ends_with_its_hours_or_its_answer(
    birth: Finding, between: Finding | None, hours: str, rule: str, standing: Standing
) -> None:
    first = exam("a", "1", birth, said("infection_risks", "preterm_labour"))
    before = [first, *([exam("b", "6", between)] if between else [])]
    lines = {one.line.rule: one.standing for one in series_list(before, exam("c", hours), CATALOGUE)}
    assert lines[rule] is standing


@pytest.mark.parametrize(
    ("before", "now", "standing"),
    [
        ("absent", "absent", Standing.STILL),
        ("equal_easy", "absent", Standing.NEW),
        ("absent", "equal_easy", Standing.RESOLVED),
        ("absent", None, Standing.NOT_LOOKED_AT),
    ],
)
def test_how_a_line_stands(before: str, now: str | None, standing: Standing) -> None:
    first = exam("a", "8", said("femoral_pulse", before, side="left"))
    last = exam("b", "20", *([said("femoral_pulse", now, side="left")] if now else []))
    found = series_list([first], last, CATALOGUE)
    assert standing in {one.standing for one in found if one.line.side == "left" and not one.line.to_do}
    assert all(one.standing is not Standing.RESOLVED for one in found if now is None)


@pytest.mark.parametrize(
    ("before", "now", "standing"),
    [
        # a foot says nothing of a hand: blue above and pink below is the gravest of all (TGA with lung hypertension)
        (said_at("right_hand", "88"), said_at("left_foot", "97"), Standing.NOT_LOOKED_AT),
        (said_at("right_hand", "88"), said_at("left_foot", "89"), Standing.NOT_LOOKED_AT),
        (said_at("right_hand", "88"), said_at("right_hand", "97"), Standing.RESOLVED),
        (said_at("right_hand", "88"), said_at("right_hand", "85"), Standing.STILL),
        # each of several answers is a finding of its own
        (
            said("abnormal_skin_findings", "vesicles", site="face"),
            said("abnormal_skin_findings", "haemangioma", site="face"),
            Standing.RESOLVED,
        ),
        (said("umbilical_stump", "redness_spreading"), said("umbilical_stump", "moist_smelly"), Standing.RESOLVED),
    ],
)
def test_a_line_of_now_is_not_dropped_for_another_of_the_same_item(
    before: Finding, now: Finding, standing: Standing
) -> None:
    first, last = exam("a", "10", before), exam("b", "12", now)
    [was] = tell_list(first, computed_findings(first, CATALOGUE), CATALOGUE)
    found = [one for one in series_list([first], last, CATALOGUE) if one.line.urgency is Urgency.TELL_NOW]
    assert standing in {one.standing for one in found if one.line.words == was.words or standing is Standing.STILL}


def test_what_a_rule_stands_for_is_neither_new_nor_resolved() -> None:
    """An absent pulse told alone, then in the line of a rule, then alone again: it is known all the while."""
    absent = said("femoral_pulse", "absent", side="left")
    alone, with_screen = exam("a", "20", absent), exam("b", "24", absent, saturations(85, 84, "24"))
    by_rule = listed([alone], with_screen)
    assert by_rule == {("cross_finding", None): Standing.NEW}
    assert listed([with_screen], exam("c", "27", absent))[("cross_finding", None)] is Standing.STILL
    after = exam("c", "49", absent)  # the rule counts over a day
    assert listed([with_screen], after)[("femoral_pulse", "left")] is Standing.STILL
    lines = {one.line.rule: one for one in series_list([alone, with_screen], after, CATALOGUE)}
    assert lines["duct_dependent_circulation"].standing is Standing.NOT_LOOKED_AT


def test_a_rule_that_a_stronger_one_replaces_is_not_resolved() -> None:
    """NICE NG195: one risk of infection, then a second."""
    one = exam("a", "2", said("infection_risks", "group_b_streptococcus"))
    both = exam("b", "4", said("infection_risks", "preterm_labour"))
    lines = {line.line.rule: line for line in series_list([one], both, CATALOGUE)}
    assert set(lines) == {"infection_risks_two"}
    assert lines["infection_risks_two"].exams == ("a", "b")
    assert any("(exam a)" in part for part in lines["infection_risks_two"].line.because)


def test_what_does_not_last_counts_for_the_exam_that_saw_it_alone() -> None:
    first = exam("a", "2", said("grunting", "audible_unaided"))
    found = computed_findings(exam("b", "6.1", said("nasal_flaring", "marked")), CATALOGUE, [first])
    assert all(not one.earlier for one in found)  # a rule counts signs of effort over four hours


def test_one_exam_alone_has_no_standing() -> None:
    alone = exam("a", "8", said("femoral_pulse", "absent", side="left"))
    others = [exam("a", "7"), exam("later", "9")]
    assert {one.standing for one in series_list(others, alone, CATALOGUE)} == {None}


def test_what_was_resolved_stands_last_and_urgent_before_new() -> None:
    first = exam("a", "8", said("femoral_pulse", "absent", side="left"), said("palate", "cleft_soft"))
    last = exam("b", "20", said("femoral_pulse", "absent", side="left"), said("palate", "whole_palate_seen_intact"))
    order = [(one.line.urgency, one.standing) for one in series_list([first], last, CATALOGUE) if not one.line.to_do]
    assert order[-1][1] is Standing.RESOLVED
    assert order[0][0] is Urgency.TELL_NOW


def test_sides_and_places_are_in_the_words_and_the_data_of_a_change() -> None:
    item, answer = "scalp_swelling", "cephalohaematoma_within_suture"
    first = exam("a", "8", said(item, answer, side="left", site="scalp_parietal"))
    last = exam("b", "20", said(item, answer, side="right", site="scalp_parietal"))
    [change] = [c for c in changes([first], last, CATALOGUE).changes if c.item.id == item]
    assert change.kind is ChangeKind.CHANGED
    now, _, was = change.words.partition(" (was: ")
    assert "right" in now
    assert "left" in was
    assert [f.side for f in change.now] == ["right"]
    assert [f.side for f in change.was] == ["left"]


_POOL = [
    said("femoral_pulse", "absent", side="left"),
    said("femoral_pulse", "equal_easy", side="right"),
    said("murmur", "none_heard"),
    said("cry", "strong_lusty"),
    read("serum_bilirubin", "6", "mg/dL"),
    read("heart_rate", "250", "/min"),
    read("temperature", "36.8", "Cel", site="axilla"),
    saturations(85, 84, "20"),
    saturations(97, None, "25"),
    saturations(98, 99, "26"),
]


@given(st.lists(st.sampled_from(_POOL), unique_by=id, max_size=8), st.sampled_from(_POOL))
@settings(max_examples=60)
def test_a_further_finding_takes_no_line_of_now_away(findings: list[Finding], more: Finding) -> None:
    """Nothing here answers another: whatever is told now stays told when one more finding is added."""
    before = told(scene(*findings, hours="27"))
    after = told(scene(*findings, more, hours="27"))
    urgent = {item for item, urgency in before.items() if urgency is Urgency.TELL_NOW}
    covered = {"cross_finding", "side_difference"} & after.keys()
    assert urgent <= after.keys() | covered or covered


@given(st.lists(st.sampled_from(_POOL), unique_by=id, max_size=6), st.lists(st.sampled_from(_POOL), max_size=4))
@example([_POOL[1], _POOL[7]], [_POOL[0], _POOL[7]])  # the screen's fail stands in the line of a rule
@settings(max_examples=60)
def test_nor_does_a_later_exam(early: list[Finding], late: list[Finding]) -> None:
    """A line of now is in the list after any later exam: as it is, resolved, or in a rule's line that rests on it."""
    first, last = exam("a", "27", *early), exam("b", "28", *late)
    urgent = {item for item, urgency in told(first).items() if urgency is Urgency.TELL_NOW}
    lines = series_list([first], last, CATALOGUE)
    known = [*last.findings, *(one.finding for one in computed_findings(last, CATALOGUE, [first]))]
    of_last = [one.line for one in lines if one.standing in (Standing.NEW, Standing.STILL, Standing.WORSE)]
    rested = {known[index].item for line in of_last for index in line.rests_on}
    assert urgent <= {one.line.item.id for one in lines} | rested


def test_a_line_of_signs_from_two_exams_is_resolved_only_when_both_were_seen_again() -> None:
    """The indicators of NICE NG195: fed weakly at 20 h, cold at 26 h; each of the two is seen again or is not."""
    weak, cold = said("suck", "weak"), read("temperature", "36.3", "Cel", site="axilla")
    strong, warm = said("suck", "strong_coordinated"), read("temperature", "37", "Cel", site="axilla")
    found = [exam("a", "20", weak), exam("b", "26", cold)]
    [line] = [one for one in series_list(found[:1], found[1], CATALOGUE) if one.line.item.id == "cross_finding"]
    assert (line.standing, line.line.urgency, line.exams) == (Standing.NEW, Urgency.TELL_NOW, ("a", "b"))
    key = ("cross_finding", None)
    # it stands for the suck of the first exam, which it names, in the next exam too
    assert listed(found[:1], found[1]).keys() == {key}
    assert listed(found, exam("c", "40")).keys() == {key}
    assert listed(found, exam("c", "40", warm))[key] is Standing.NOT_LOOKED_AT
    assert listed(found, exam("c", "40", strong))[key] is Standing.NOT_LOOKED_AT
    assert listed(found, exam("c", "40", warm, strong))[key] is Standing.RESOLVED
    between = [found[0], exam("b", "26", cold, strong)]  # the suck is seen again in the exam that has the line
    assert listed(between, exam("c", "40", warm))[key] is Standing.RESOLVED
