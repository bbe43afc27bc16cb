"""What no range of ours can say is expected: it is said to be not judged, and why; alarms stay.

The ranges are of term infants (their sources study these); the saturation cohorts read in air; WHO's thermal classes
are of the axilla and the core, and no skin probe's.
"""

from __future__ import annotations

from typing import Any

import pytest
from scenes import CATALOGUE, pressure, read, said, scene, tells

from adapter.derive import ChangeKind, changes, judge, not_judged, series_list
from adapter.derive.series import Standing
from adapter.derive.view import ExamView
from adapter.exam import Exam, Finding
from adapter.fhir import to_bundle
from adapter.write.v2.message import unjudged

HEART = read("heart_rate", "140", "/min")
WARM = read("temperature", "36.9", "Cel", site="axilla")
HIGH_OXYGEN = read("oxygen_saturation", "96", "%", site="right_hand")
FORTY = read("inspired_oxygen", "40", "%")


def reason(exam: Exam, place: int = 0) -> str | None:
    finding = exam.findings[place]
    item = CATALOGUE.items[finding.item]
    assert judge(finding, item, exam, CATALOGUE) is None
    return not_judged(finding, item, exam, CATALOGUE)


def observation(exam: Exam, item: str) -> dict[str, Any]:
    found = [entry["resource"] for entry in to_bundle(exam, CATALOGUE)["entry"]]
    return next(r for r in found if r["resourceType"] == "Observation" and r["identifier"][0]["value"].endswith(item))


@pytest.mark.parametrize(
    ("exam", "words"),
    [
        (scene(HEART, weeks=33, days=6), "under 34 weeks"),
        (scene(WARM, weeks=28), "under 34 weeks"),
        (scene(pressure("right_arm", 70, 40), weeks=30), "under 34 weeks"),
        (scene(HIGH_OXYGEN, FORTY), "added oxygen"),
        (scene(HIGH_OXYGEN, said("respiratory_support", "low_flow_oxygen")), "added oxygen"),
        (scene(read("temperature", "36.9", "Cel", site="skin_probe")), "skin or in the ear"),
        (scene(read("temperature", "36.9", "Cel", site="ear_canal")), "skin or in the ear"),
        (scene(pressure("right_arm", 70, 40), hours="200"), "no range"),
        (scene(Finding(item="other_skin", text="Invented words.")), "in words"),
        (scene(read("chest_circumference", "33", "cm"), weeks=36), "no range"),
    ],
)
def test_what_no_range_covers_is_said_to_be_not_judged_with_the_reason(exam: Exam, words: str) -> None:
    assert words in (reason(exam) or "")


def test_an_alarm_stays_where_expected_is_not_said() -> None:
    for finding, more in [
        (read("heart_rate", "70", "/min"), {"weeks": 30}),
        (read("temperature", "35.5", "Cel", site="skin_probe"), {}),
        (read("oxygen_saturation", "88", "%", site="right_hand"), {}),
    ]:
        exam = scene(finding, FORTY, **more)
        assert finding.item in {line.item.id for line in tells(exam) if line.urgency == "tell-now"}


def test_what_holds_at_34_weeks_in_air_in_the_axilla_is_expected() -> None:
    air = read("inspired_oxygen", "21", "%")
    exam = scene(HEART, WARM, HIGH_OXYGEN, air, said("respiratory_support", "none_in_air"), weeks=34)
    for finding in exam.findings[:3]:
        judged = judge(finding, CATALOGUE.items[finding.item], exam, CATALOGUE)
        assert judged is not None
        assert judged.meaning == "expected"
        assert not_judged(finding, CATALOGUE.items[finding.item], exam, CATALOGUE) is None


def test_a_resource_of_what_is_not_judged_has_no_n_no_range_and_a_note() -> None:
    for exam, item in [
        (scene(HEART, weeks=33, kind="shift"), "heart_rate"),
        (scene(HIGH_OXYGEN, FORTY, kind="shift"), "oxygen_saturation"),
        (scene(pressure("right_arm", 70, 40), weeks=33, kind="shift"), "blood_pressure"),
        (scene(read("temperature", "36.9", "Cel", site="skin_probe"), kind="shift"), "temperature"),
    ]:
        resource = observation(exam, item)
        parts = [resource, *resource.get("component", [])]
        assert not any(key in part for part in parts for key in ("interpretation", "referenceRange"))
        assert any(note["text"].startswith("Not judged: ") for note in resource["note"])
    # an alarm under 34 weeks keeps its flag, and the range that does not apply is not shown beside it
    slow = observation(scene(read("heart_rate", "70", "/min"), weeks=33, kind="shift"), "heart_rate")
    assert slow["interpretation"][0]["coding"][0]["code"] == "LL"
    assert "referenceRange" not in slow


def test_a_message_says_it_in_a_comment_and_neither_flag_nor_range() -> None:
    segments = unjudged(scene(HEART, weeks=33, kind="shift"), CATALOGUE)
    (result,) = [s for s in segments if s.startswith("OBX") and "Heart rate" in s]
    assert result.split("|")[7:9] == ["", ""]
    notes = [s for s in segments if s.startswith("NTE") and "^unjudged" in s.replace("unjudged^", "^unjudged")]
    assert "under 34 weeks" in notes[0]


def test_the_view_lists_what_is_not_judged_by_reason() -> None:
    view = ExamView(scene(HEART, WARM, FORTY, HIGH_OXYGEN, weeks=33), CATALOGUE)
    ((reason_, findings), *more) = view.not_judged
    assert "under 34 weeks" in reason_
    assert [one.item.id for one in findings] == ["heart_rate", "temperature", "oxygen_saturation"]
    assert more == []


def test_what_was_told_and_is_now_not_judged_is_neither_resolved_nor_gone() -> None:
    cool = scene(read("temperature", "36.2", "Cel", site="axilla"), hours="10", exam_id="a", weeks=32)
    warm = scene(WARM, hours="12", exam_id="b", weeks=32)
    (change,) = [c for c in changes([cool], warm, CATALOGUE).changes if c.item.id == "temperature"]
    assert change.kind is ChangeKind.CHANGED
    (line,) = [one for one in series_list([cool], warm, CATALOGUE) if one.line.item.id == "temperature"]
    assert line.standing is Standing.NOT_JUDGED


def test_a_screen_read_in_added_oxygen_is_not_passed_and_still_fails() -> None:
    from scenes import made, saturations

    assert made(scene(saturations(98, 98), FORTY), "cchd_screen") == []
    (fail,) = made(scene(saturations(85, 84), FORTY), "cchd_screen")
    assert fail.finding.value == "fail"
