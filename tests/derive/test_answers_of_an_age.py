"""An answer whose words carry an age or a gestation holds only then; else it counts as its plain sibling.

The limits are in the labels. Futagi (Int J Pediatr 2012;191562): a weak or absent Moro at term is significant; NICE
NG195 counts altered tone, feeding difficulty and respiratory distress; grunting of transition ends within the first
hour (nursing notes). It began with an infant of 41+4 weeks and 100 hours in whom thirteen such answers told nothing.
"""

from __future__ import annotations

import pytest
from scenes import CATALOGUE, rules_held, said, scene, tells

from adapter.catalogue.lint import lint
from adapter.derive import judge
from adapter.exam import Exam, Finding
from adapter.fhir import to_bundle

ALL = [
    (item, answer)
    for item in CATALOGUE.items.values()
    for answer in item.answers
    if answer.when is not None and item.id not in ("vernix", "blood_spot") and answer.id != "fine_cracks_post_term"
]


def _finding(item: str, answer: str) -> Finding:
    found = CATALOGUE.items[item]
    return said(item, answer, side="left" if found.sides == "each" else None)


def _said(item: str, answer: str, hours: str, weeks: int, days: int = 0) -> tuple[str, str] | None:
    finding = _finding(item, answer)
    exam = scene(finding, hours=hours, weeks=weeks, days=days)
    judged = judge(finding, CATALOGUE.items[item], exam, CATALOGUE)
    return judged and (judged.meaning.value, judged.urgency.value)


@pytest.mark.parametrize(("item", "answer"), ALL, ids=lambda one: one.id)
def test_in_a_term_infant_of_400_hours_none_of_them_reassures(item: object, answer: object) -> None:
    if answer.id == "newborn_acne":  # type: ignore[attr-defined]
        return
    found = _said(item.id, answer.id, "400", 41, 4)  # type: ignore[attr-defined]
    assert found is not None
    assert found[0] == "abnormal" or answer.id == "face_or_chest_after_24h"  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("item", "answer", "holds", "not_any_more", "counts"),
    [
        ("grunting", "first_minutes_after_birth", ("0.9", 39), ("1", 39), ("abnormal", "tell-soon")),
        ("murmur", "soft_systolic_first_24h_well", ("23.9", 39), ("24", 39), ("abnormal", "tell")),
        ("jaundice", "face_or_chest_after_24h", ("24", 39), ("23.9", 39), ("abnormal", "tell-now")),
        ("suck", "weaker_preterm", ("24", 36), ("24", 37), ("abnormal", "tell-soon")),
        # 36 weeks at birth and 8 days old: 37 weeks now
        ("suck", "weaker_preterm", ("160", 36), ("192", 36), ("abnormal", "tell-soon")),
        ("moro", "incomplete_preterm", ("24", 36), ("24", 37), ("abnormal", "tell")),
        ("feeding_quality", "sleepy_first_24h", ("23.9", 39), ("24", 39), ("abnormal", "tell-now")),
        ("first_stool", "none_by_24h", ("47.9", 39), ("48", 39), ("abnormal", "tell")),
        ("first_void", "not_yet", ("23.9", 39), ("24", 39), ("abnormal", "tell")),
    ],
)
def test_it_counts_as_its_sibling_just_beyond(
    item: str, answer: str, holds: tuple[str, int], not_any_more: tuple[str, int], counts: tuple[str, str]
) -> None:
    own = CATALOGUE.items[item].answer(answer)
    assert own is not None
    assert _said(item, answer, *holds) == (own.meaning.value, own.urgency.value)
    assert _said(item, answer, *not_any_more) == counts


def test_an_unknown_gestation_is_not_taken_for_preterm() -> None:
    exam = scene(said("suck", "weaker_preterm"), weeks=None)
    judged = judge(exam.findings[0], CATALOGUE.items["suck"], exam, CATALOGUE)
    assert judged is not None
    assert judged.meaning == "abnormal"


def test_rules_ask_for_what_it_counts_as() -> None:
    early = said("grunting", "first_minutes_after_birth")
    assert "persistent_grunting" in rules_held(scene(early, hours="100"))
    assert "persistent_grunting" not in rules_held(scene(early, hours="0.5"))


def _line(exam: Exam) -> str:
    (line,) = [one for one in tells(exam) if one.urgency != "none"]
    assert "Heard with the stethoscope only" in line.reason
    return line.rule


def test_the_line_says_what_was_said_and_what_it_counts_as() -> None:
    assert _line(scene(said("grunting", "first_minutes_after_birth"), hours="1.5")) == "grunting.stethoscope_only"


def test_the_resource_keeps_the_answer_and_notes_how_it_was_judged() -> None:
    exam = scene(said("murmur", "soft_systolic_first_24h_well"), hours="30", kind="shift")
    found = [entry["resource"] for entry in to_bundle(exam, CATALOGUE)["entry"]]
    (murmur,) = [
        r for r in found if r["resourceType"] == "Observation" and "24 h, well" in str(r.get("valueCodeableConcept"))
    ]
    assert murmur["interpretation"][0]["coding"][0]["code"] == "A"
    assert any(note["text"].startswith("Judged as 'Soft, systolic, after 24 h'") for note in murmur["note"])


def test_a_label_with_an_age_and_no_condition_is_refused_by_the_linter() -> None:
    from dataclasses import replace

    region = CATALOGUE.regions["respiratory"]
    bare = [
        item.model_copy(update={"answers": tuple(a.model_copy(update={"when": None}) for a in item.answers)})
        for item in region.items
    ]
    without = replace(
        CATALOGUE, regions={**CATALOGUE.regions, "respiratory": region.model_copy(update={"items": tuple(bare)})}
    )
    found = {(p.rule, p.item) for p in lint(without)} - {(p.rule, p.item) for p in lint(CATALOGUE)}
    assert {("answer-of-an-age", item) for item in ("breath_sounds", "grunting", "secretions")} <= found
