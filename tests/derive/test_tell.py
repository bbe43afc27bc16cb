"""The list of what must be told: complete, most urgent first, and never an all-clear."""

from __future__ import annotations

from decimal import Decimal

from invented_exams import exam, measured

from adapter.catalogue import Catalogue
from adapter.derive import computed_findings, in_words, tell_list
from adapter.exam import At, Exam, Finding, Quantities, Score, Side, Status, Urgency


def lines(one: Exam, catalogue: Catalogue) -> list[tuple[str, str]]:
    """What must be told, without what is only still to do because it was not recorded."""
    every = tell_list(one, computed_findings(one, catalogue), catalogue)
    return [(t.urgency.value, t.words) for t in every if t.finding is not None]


def test_most_urgent_first_then_in_exam_order(catalogue: Catalogue) -> None:
    one = exam(
        Finding(item="femoral_pulse", value="weak", side=Side.LEFT),
        measured("temperature", "38.1", "Cel", site="axilla"),
        measured("respiratory_rate", "60", "/min"),
        Finding(item="ortolani", value="positive_clunk", side=Side.LEFT),
        Finding(item="cry", value="stridulous"),
        Finding(item="cornea", value="cloudy", side=Side.LEFT),
        Finding(item="lips", value="cleft_lip"),
        measured("heart_rate", "140", "/min"),
    )
    assert lines(one, catalogue) == [
        ("tell-now", "Body temperature, axilla: 38.1 °C"),
        ("tell-now", "Femoral pulse, left: Weak"),
        ("tell-now", "Cornea and globe size, left: Cloudy"),
        ("tell-soon", "Cry: Harsh noise on breathing in while crying"),
        ("tell", "Hip findings or risk that lead to an ultrasound scan"),  # a rule goes before single findings
        ("tell", "Lips: Cleft lip"),
    ]


def test_the_order_captured_does_not_matter(catalogue: Catalogue) -> None:
    findings = [
        measured("respiratory_rate", "65", "/min"),
        measured("temperature", "38.1", "Cel", site="axilla"),
        Finding(item="red_reflex", value="white_or_absent", side=Side.LEFT),
    ]
    findings = [f for f in findings if not f.answer or catalogue.items[f.item].answer(f.answer)]
    assert lines(exam(*findings), catalogue) == lines(exam(*reversed(findings)), catalogue)


def test_computed_findings_are_told(catalogue: Catalogue) -> None:
    # 2600 -> 2314 g is a loss of 11.0 % (arithmetic); more than 10 % is told (NICE NG75)
    one = exam(measured("birth_weight", "2600", "g"), measured("weight", "2314", "g"), hours="90")
    assert ("tell", "Weight change since birth: -11.0 %") in lines(one, catalogue)


def test_gaps_that_matter_are_told(catalogue: Catalogue) -> None:
    eyes = Finding(item="red_reflex", not_examined="eyes_not_open", side=Side.LEFT)
    assert lines(exam(eyes), catalogue) == [("tell", "Red reflex, left: not examined (eyes not open)")]
    # for another reason it is still to do
    again = exam(eyes.model_copy(update={"not_examined": "crying"}))
    assert lines(again, catalogue) == [("none", "Red reflex, left: not examined (crying; could not be judged)")]
    for reason in catalogue.reasons:
        gap = Finding(item="femoral_pulse", not_examined=reason, side=Side.LEFT)
        assert "tell" in [urgency for urgency, _ in lines(exam(gap), catalogue)]


def test_the_examiner_is_always_heard(catalogue: Catalogue) -> None:
    marked = measured("heart_rate", "140", "/min", urgency=Urgency.TELL_NOW)
    assert lines(exam(marked), catalogue) == [("tell-now", "Heart rate, apical: 140 /min")]
    gap = Finding(item="rooting", not_examined="crying", urgency=Urgency.TELL)
    assert [urgency for urgency, _ in lines(exam(gap), catalogue)] == ["tell"]
    words = Finding(item="other_findings", text="Invented words.", urgency=Urgency.TELL)
    assert lines(exam(words), catalogue) == [("tell", "Other findings: Invented words.")]
    lowered = measured("heart_rate", "75", "/min", urgency=Urgency.NONE)
    assert [urgency for urgency, _ in lines(exam(lowered), catalogue)] == ["tell-now"]


def test_every_answer_that_is_to_be_told_is_told(every: list[Exam], catalogue: Catalogue) -> None:
    """By a line of its own, or within one that is at least as urgent; of a retracted exam nothing is told."""
    order = list(Urgency)
    for one in every:
        listed = tell_list(one, computed_findings(one, catalogue), catalogue)
        if one.details.status is Status.ENTERED_IN_ERROR:
            assert listed == ()
            continue
        loudest: dict[int, int] = {}
        for line in listed:
            for index in line.rests_on:
                loudest[index] = max(loudest.get(index, 0), order.index(line.urgency))
        for index, finding in enumerate(one.findings):
            answer = catalogue.items[finding.item].answer(finding.answer or "")
            if answer is not None and answer.urgency is not Urgency.NONE:
                assert loudest[index] >= order.index(answer.urgency), finding


def test_findings_in_words(catalogue: Catalogue) -> None:
    pressure = Quantities(components={"systolic": Decimal(66), "diastolic": Decimal(41)}, unit="mmHg")
    pairs = [
        (Finding(item="blood_pressure", value=pressure, site="right_arm"), "right arm: 66/41 mmHg"),
        (Finding(item="apgar_5_min", value=Score(total=9)), "total 9"),
        (
            Finding(item="apgar_5_min", value=Score(signs={"tone": "active"})),
            "Response to stimulation, Breathing",
        ),
        (Finding(item="first_stool", value=At(time=exam().details.started)), "2026-05-04T23:20+02:00"),
    ]
    for finding, words in pairs:
        assert in_words(finding, catalogue.items[finding.item], catalogue).endswith(words)
