"""What matters and was not looked at stands on the list as still to do, and at discharge it is told.

Which items those are is common practice: what a missed look costs most (hips, femoral pulses, palate, red reflex,
anus, testes; the screens for hearing, oxygen and blood spot).
"""

from __future__ import annotations

import pytest
from scenes import CATALOGUE, missed, said, saturations, scene, tells

from adapter.exam import Sex, Urgency

MATTERS = {"femoral_pulse", "red_reflex", "palate", "testis", "anus", "ortolani", "barlow"}
SCREENS = {"cchd_screen", "hearing_screen", "blood_spot"}


def left(kind: str, *findings: object, sex: Sex = Sex.MALE) -> dict[str, set[Urgency]]:
    found: dict[str, set[Urgency]] = {}
    for line in tells(scene(*findings, kind=kind, sex=sex)):  # type: ignore[arg-type]
        if line.to_do:
            found.setdefault(line.item.id, set()).add(line.urgency)
    return found


def test_the_items_that_matter_are_marked_as_data() -> None:
    assert {item.id for item in CATALOGUE.items.values() if item.still_to_do} == MATTERS | SCREENS


def test_a_full_exam_that_recorded_nothing_has_all_of_them_to_do() -> None:
    assert left("initial") == {name: {Urgency.NONE} for name in MATTERS}
    assert set(left("initial", sex=Sex.FEMALE)) == MATTERS - {"testis"}


def test_before_discharge_what_is_not_recorded_is_told() -> None:
    expected = {item.id for item in CATALOGUE.expected("discharge")} & (MATTERS | SCREENS)
    assert expected >= SCREENS
    assert left("discharge") == {name: {Urgency.TELL} for name in expected}


@pytest.mark.parametrize("reason", sorted({*CATALOGUE.reasons} - {"not_applicable"}))
def test_before_discharge_a_reason_does_not_lower_what_is_not_examined(reason: str) -> None:
    """What is missing is handed on (NIPE handbook: S20), whoever says why it is missing."""
    for name in sorted((MATTERS | SCREENS) & {item.id for item in CATALOGUE.expected("discharge")}):
        sides = ("left", "right") if CATALOGUE.items[name].sides == "each" else (None,)
        skipped = [missed(name, reason, side=side) for side in sides]
        assert left("discharge", *skipped)[name] == {Urgency.TELL}, name


def test_before_discharge_what_does_not_apply_is_not_told() -> None:
    eyes = [missed("red_reflex", "not_applicable", side=side) for side in ("left", "right")]
    assert "red_reflex" not in left("discharge", *eyes)


@pytest.mark.parametrize("name", sorted((MATTERS | SCREENS) - {"testis"}))
def test_what_was_examined_is_done_and_what_was_not_is_not(name: str) -> None:
    item = CATALOGUE.items[name]
    answer = item.answers[0].id
    sides = ("left", "right") if item.sides == "each" else (None,)
    assert name not in left("initial", *(said(name, answer, side=side) for side in sides))
    assert name in left("initial", *(missed(name, "equipment_absent", side=side) for side in sides))
    if item.tell_when_not_examined != ("any",):
        assert name not in left("initial", *(missed(name, "not_applicable", side=side) for side in sides))


def test_one_side_done_is_half_done() -> None:
    lines = [t for t in tells(scene(said("ortolani", "negative", side="left"), kind="initial")) if t.to_do]
    assert [t.side for t in lines if t.item.id == "ortolani"] == ["right"]


def test_a_screen_computed_from_its_readings_is_done() -> None:
    assert "cchd_screen" in left("discharge")
    assert "cchd_screen" not in left("discharge", saturations(97, 97))
    assert "cchd_screen" in left("discharge", saturations(97, None))


def test_an_exam_of_no_known_kind_expects_nothing() -> None:
    assert left("unknown") == {}
