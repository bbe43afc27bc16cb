"""What a kind of exam expects and a record does not hold: not recorded, by region and side."""

from __future__ import annotations

from typing import Any

from adapter.catalogue import load_catalogue
from adapter.exam import Exam, Side
from adapter.read import NotRecorded, completeness

CATALOGUE = load_catalogue()


def gaps(*findings: dict[str, Any], sex: str = "female", kind: str = "initial", **details: Any) -> list[NotRecorded]:
    record = {
        "exam": {
            "id": "c-1",
            "kind": kind,
            "started": "2026-03-02T09:00:00+01:00",
            "examiners": [{"name": "A. Example", "role": "nurse"}],
            **details,
        },
        "newborn": {
            "identifiers": [{"system": "mrn", "value": "B-1"}],
            "sex": sex,
            "birth_time": "2026-03-01T22:05:00+01:00",
        },
        "findings": findings,
    }
    return list(completeness(Exam.model_validate(record), CATALOGUE))


def named(found: list[NotRecorded]) -> set[str]:
    return {gap.item for gap in found}


def test_an_empty_exam_lacks_all_that_is_expected_in_the_order_of_the_exam() -> None:
    found = gaps(kind="shift")
    expected = [i.id for i in CATALOGUE.expected("shift")]
    assert [gap.item for gap in found] == expected
    assert {gap.region for gap in found} >= {"vital_signs", "respiratory"}
    assert all(gap.region == CATALOGUE.region_of[gap.item] for gap in found)


def test_not_examined_is_recorded() -> None:
    assert "palate" in named(gaps())
    assert "palate" not in named(gaps({"item": "palate", "not_examined": "only_part_seen"}))


def test_one_side_is_half_done() -> None:
    found = [g for g in gaps({"item": "red_reflex", "side": "left", "value": "absent"}) if g.item == "red_reflex"]
    assert found == [NotRecorded("eyes", "red_reflex", CATALOGUE.items["red_reflex"].label, Side.RIGHT)]
    assert found[0].said(CATALOGUE).endswith("(right)")
    both = [{"item": "red_reflex", "side": s, "value": "absent"} for s in ("left", "right")]
    assert "red_reflex" not in named(gaps(*both))


def test_items_of_the_other_sex_are_not_expected() -> None:
    assert "testis" not in named(gaps(sex="female"))
    assert "vaginal_opening" not in named(gaps(sex="male"))
    assert "testis" in named(gaps(sex="male"))
    both = {"testis", "vaginal_opening"}
    assert both <= named(gaps(sex="unknown"))
    assert both <= named(gaps({"item": "genital_type", "value": "atypical"}, sex="female"))
    assert both & named(gaps({"item": "genital_type", "value": "typical_male"}, sex="unknown")) == {"testis"}


def test_what_is_computed_or_left_out_by_the_kind_is_not_expected() -> None:
    found = named(gaps(kind="discharge"))
    assert "weight_change_percent" not in found
    assert "blood_pressure" not in found
    assert "weight" in found


def test_a_retracted_exam_lacks_nothing() -> None:
    assert gaps(status="entered-in-error", amends="c-0", reason="wrong infant") == []
