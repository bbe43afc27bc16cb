"""Between exams: new, changed, resolved, still not examined, not looked at again; weights and bilirubin in series."""

from __future__ import annotations

from datetime import timedelta
from itertools import permutations

import pytest
from scenes import BORN, CATALOGUE, missed, read, said, scene

from adapter.derive import NotOneNewborn, changes
from adapter.derive.changes import ChangeKind
from adapter.exam import Exam, Finding, Identifier, Status


def exam(name: str, hours: str, *findings: Finding) -> Exam:
    return scene(*findings, hours=hours, exam_id=name)


def became(earlier: list[Exam], later: Exam) -> list[tuple[ChangeKind, str, str | None]]:
    return [(c.kind, c.item.id, c.side.value if c.side else None) for c in changes(earlier, later, CATALOGUE).changes]


WEAK = said("femoral_pulse", "weak", side="left")
EASY = said("femoral_pulse", "equal_easy", side="left")


@pytest.mark.parametrize(
    ("before", "now", "kind"),
    [
        ((EASY,), (WEAK,), ChangeKind.NEW),
        ((), (WEAK,), ChangeKind.NEW),
        ((missed("femoral_pulse", side="left"),), (WEAK,), ChangeKind.NEW),
        ((WEAK,), (said("femoral_pulse", "absent", side="left"),), ChangeKind.CHANGED),
        ((WEAK,), (EASY,), ChangeKind.RESOLVED),
        ((WEAK,), (WEAK,), None),
        ((EASY,), (EASY,), None),
        ((missed("femoral_pulse", side="left"),), (EASY,), None),
        ((missed("femoral_pulse", side="left"),), (missed("femoral_pulse", side="left"),), ChangeKind.NOT_EXAMINED),
        ((missed("femoral_pulse", side="left"),), (), ChangeKind.NOT_EXAMINED),
        ((WEAK,), (missed("femoral_pulse", side="left"),), ChangeKind.NOT_EXAMINED),
        ((EASY,), (missed("femoral_pulse", side="left"),), None),  # it was examined once, and was as expected
        ((WEAK,), (), ChangeKind.NOT_LOOKED_AT),  # never taken for resolved
        ((EASY,), (), None),
        ((read("heart_rate", "170", "/min"),), (read("heart_rate", "140", "/min"),), ChangeKind.RESOLVED),
        ((read("heart_rate", "130", "/min"),), (read("heart_rate", "140", "/min"),), None),
        ((read("heart_rate", "165", "/min"),), (read("heart_rate", "175", "/min"),), ChangeKind.CHANGED),
        (
            (said("scalp_swelling", "cephalohaematoma_within_suture", side="left", site="scalp_parietal"),),
            (said("scalp_swelling", "none_seen"),),
            ChangeKind.RESOLVED,
        ),
        (
            (said("scalp_swelling", "cephalohaematoma_within_suture", side="left", site="scalp_parietal"),),
            (said("scalp_swelling", "cephalohaematoma_within_suture", side="right", site="scalp_parietal"),),
            ChangeKind.CHANGED,
        ),
    ],
)
def test_what_became_of_a_finding(
    before: tuple[Finding, ...], now: tuple[Finding, ...], kind: ChangeKind | None
) -> None:
    found = became([exam("one", "10", *before)], exam("two", "20", *now))
    assert [k for k, _, _ in found] == ([kind] if kind else [])


def test_the_last_exam_that_looked_is_the_one_to_compare_with() -> None:
    weak, gap, easy = (
        exam("a", "10", WEAK),
        exam("b", "20", missed("femoral_pulse", side="left")),
        exam("c", "30", EASY),
    )
    found = changes([weak, gap], easy, CATALOGUE).changes
    assert [(c.kind, c.since) for c in found] == [(ChangeKind.RESOLVED, "a")]


def test_the_order_of_the_earlier_exams_does_not_matter() -> None:
    earlier = [
        exam("a", "5", WEAK, read("weight", "3300", "g")),
        exam("b", "12", EASY, read("weight", "3200", "g")),
        exam("c", "20", said("jaundice", "before_24h"), read("weight", "3150", "g")),
    ]
    later = exam("d", "40", WEAK, said("jaundice", "none_seen"), read("weight", "3120", "g"))
    results = [changes(list(order), later, CATALOGUE) for order in permutations(earlier)]
    assert all(result == results[0] for result in results)


def test_a_later_exam_is_no_earlier_one() -> None:
    assert became([exam("late", "50", EASY)], exam("now", "20", WEAK)) == [(ChangeKind.NEW, "femoral_pulse", "left")]


def test_of_two_versions_the_amended_one_counts_and_a_retracted_one_does_not() -> None:
    first = exam("a", "10", WEAK)
    amended = first.model_copy(
        update={
            "details": first.details.model_copy(
                update={"id": "a-2", "status": Status.AMENDED, "amends": "a", "reason": "invented"}
            ),
            "findings": (EASY,),
        }
    )
    later = exam("b", "20", EASY)
    assert became([first, amended], later) == became([amended, first], later) == []
    retracted = amended.model_copy(
        update={"details": amended.details.model_copy(update={"status": Status.ENTERED_IN_ERROR})}
    )
    assert became([retracted], exam("b", "20", WEAK)) == [(ChangeKind.NEW, "femoral_pulse", "left")]


def test_exams_of_two_newborns_are_never_compared() -> None:
    other = exam("a", "10", EASY)
    twin = other.newborn.model_copy(
        update={"identifiers": (Identifier(system="https://example.org/mrn", value="B-2"),)}
    )
    with pytest.raises(NotOneNewborn):
        changes([other.model_copy(update={"newborn": twin})], exam("b", "20", EASY), CATALOGUE)


def test_the_weights_as_a_series() -> None:
    # 3200 -> 3040 in a day is -5.0 %; -> 3072 in half a day is +64 g a day, -4.0 % (arithmetic)
    earlier = exam("a", "24", read("birth_weight", "3200", "g"), read("weight", "3.040", "kg"))
    (weight,) = changes([earlier], exam("b", "36", read("weight", "3072", "g")), CATALOGUE).trends
    assert weight.lines == (
        "0.0 h: 3200 g",
        "24.0 h: 3040 g, -160 g, -160 g a day, -5.0 % since the first",
        "36.0 h: 3072 g, +32 g, +64 g a day, -4.0 % since the first",
    )


def test_bilirubin_across_exams_gives_its_rise_and_sends_to_the_chart() -> None:
    def level(value: str, hours: int) -> Finding:
        return read("transcutaneous_bilirubin", value, "mg/dL", observed_at=BORN + timedelta(hours=hours))

    found = changes([exam("a", "24", level("6.0", 24))], exam("b", "36", level("9.0", 36)), CATALOGUE)
    (series,) = found.trends
    assert series.lines == (
        "24.0 h: 6.0 mg/dL",
        "36.0 h: 9.0 mg/dL, +0.25 mg/dL an hour; compare with your site's chart",
    )
