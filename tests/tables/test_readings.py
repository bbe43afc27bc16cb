"""In the wide table one reading stands as a whole, or not at all.

The expected cells are written from the rules of examples/guides/research.md alone.
"""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from table_rows import row

from adapter.catalogue import ItemType, load_catalogue
from adapter.derive.every_use import STARTED, every_exam, uses_of
from adapter.exam import Exam, Finding, Quantities, Quantity, Score, Side
from adapter.write.tables import TABLES
from drawn import drawn

CATALOGUE = load_catalogue()
BASE = every_exam(CATALOGUE)[0]
LATER, LATEST = STARTED + timedelta(hours=1), STARTED + timedelta(hours=2)


def exam(*findings: Finding) -> Exam:
    details = BASE.details.model_copy(update={"ended": STARTED + timedelta(hours=3)})
    return Exam(details=details, newborn=BASE.newborn, findings=findings)


def wide(*findings: Finding) -> dict[str, object]:
    return row("exams", exam(*findings), CATALOGUE)


def repeated(found: dict[str, object]) -> set[str]:
    return set(str(found["repeated"] or "").split(";")) - {""}


def pressure(at: object, **numbers: int) -> Finding:
    value = Quantities(components={name: Decimal(one) for name, one in numbers.items()}, unit="mmHg")
    return Finding(item="blood_pressure", site="right_arm", value=value, observed_at=at)


def test_a_pressure_has_no_mean_of_another() -> None:
    first, second = pressure(STARTED, systolic=92, diastolic=70, mean=81), pressure(LATER, systolic=60, diastolic=32)
    for findings in ((first, second), (second, first)):
        found = wide(*findings)
        cells = [found[f"blood_pressure_right_arm_{part}"] for part in ("systolic", "diastolic", "mean")]
        assert cells == [60, 32, None]
        names = {f"blood_pressure_right_arm_{part}" for part in ("systolic", "diastolic", "mean")}
        assert names <= repeated(found)


def test_a_total_has_no_signs_of_another_entry() -> None:
    item = CATALOGUE.items["apgar_5_min"]
    signs = {sign.id: sign.answers[-1].id for sign in item.signs}
    found = wide(
        Finding(item=item.id, value=Score(signs=signs), observed_at=STARTED),
        Finding(item=item.id, value=Score(total=4), observed_at=LATER),
    )
    assert found["apgar_5_min"] == 4
    assert [found[f"apgar_5_min_{sign}"] for sign in signs] == [None] * len(signs)
    assert {"apgar_5_min", *(f"apgar_5_min_{sign}" for sign in signs)} <= repeated(found)


def test_none_heard_has_no_place_of_another_finding() -> None:
    heard = Finding(item="murmur", value="loud_or_thrill", site="heart_apex", observed_at=STARTED)
    found = wide(heard, Finding(item="murmur", value="none_heard", observed_at=LATER))
    assert (found["murmur"], found["murmur_site"], found["murmur_meaning"]) == ("none_heard", None, "expected")
    assert {"murmur", "murmur_site", "murmur_meaning"} == repeated(found)
    there = [Finding(item="murmur", value="loud_or_thrill", site=site) for site in ("heart_apex", "axilla")]
    assert (wide(*there)["murmur_site"], repeated(wide(*there))) == ("heart_apex;axilla", set())


def test_several_answers_are_those_of_one_moment() -> None:
    item = CATALOGUE.items["abnormal_skin_findings"]
    none = next(answer.id for answer in item.answers if answer.exclusive)
    one, two = [answer.id for answer in item.answers if not answer.exclusive][:2]
    seen = [Finding(item=item.id, value=answer, observed_at=STARTED) for answer in (one, two)]
    assert wide(*seen)[item.id] == f"{one};{two}"
    found = wide(*seen, Finding(item=item.id, value=none, observed_at=LATER))
    assert (found[item.id], found[f"{item.id}_meaning"]) == (none, "expected")
    assert item.id in repeated(found)


def test_a_reading_without_a_side_is_of_both() -> None:
    item = next(i for i in CATALOGUE.items.values() if i.type is ItemType.CHOICES and i.sides.value == "optional")
    none = next(answer.id for answer in item.answers if answer.exclusive)
    some = next(answer.id for answer in item.answers if not answer.exclusive)
    left = Finding(item=item.id, value=some, side=Side.LEFT, observed_at=STARTED)
    right = Finding(item=item.id, value=some, side=Side.RIGHT, observed_at=LATER)
    both = wide(left, right)
    assert (both[f"{item.id}_left"], both[f"{item.id}_right"], repeated(both)) == (some, some, set())
    found = wide(left, Finding(item=item.id, value=none, observed_at=LATER))
    assert (found[item.id], found[f"{item.id}_left"]) == (none, None)
    assert f"{item.id}_left" in repeated(found)


def test_what_was_seen_at_one_moment_without_a_side_and_on_one_stands_beside_each_other() -> None:
    spots = Finding(item="birth_marks_of_delivery", value="facial_petechiae")
    none = Finding(item=spots.item, value="none_seen", side=Side.LEFT)
    for findings in ((spots, none), (none, spots)):
        found = wide(*findings)
        assert (found[spots.item], found[f"{spots.item}_left"]) == ("facial_petechiae", "none_seen")
        assert found[f"{spots.item}_meaning"] == "variant"
        assert repeated(found) == set()


COLUMNS = TABLES["exams"].columns(CATALOGUE)
USES = {
    item.id: [use for use in uses_of(item, CATALOGUE) if use.value is not None and not use.observed_at]
    for item in CATALOGUE.items.values()
    if not item.computed
}


@given(st.data())
@drawn(100)
def test_an_earlier_reading_changes_no_cell_of_the_later_one(data: st.DataObject) -> None:
    """Whatever was found before at the same place: the row is that of the later reading alone, and says so."""
    item = data.draw(st.sampled_from([name for name, uses in USES.items() if len(uses) > 1]))
    later = data.draw(st.sampled_from(USES[item])).model_copy(update={"observed_at": LATEST})
    same = [use for use in USES[item] if (use.side, use.site) == (later.side, later.site)]
    earlier = data.draw(st.sampled_from(same)).model_copy(update={"observed_at": LATER})
    alone, both = wide(later), wide(*data.draw(st.permutations([earlier, later])))
    own = [c.name for c in COLUMNS if c.item == item]
    assert {name: both[name] for name in own} == {name: alone[name] for name in own}
    filled = {name for name in own if alone[name] is not None and not name.endswith(("_status", "_meaning"))}
    assert filled <= repeated(both)


@pytest.mark.parametrize("order", [1, -1])
def test_one_number_and_its_sign_go_together(order: int) -> None:
    low = Finding(
        item="heart_rate", value=Quantity(value=Decimal(40), unit="/min", comparator="<"), observed_at=STARTED
    )
    exact = Finding(item="heart_rate", value=Quantity(value=Decimal(140), unit="/min"), observed_at=LATER)
    found = wide(*[low, exact][::order])
    assert (found["heart_rate"], found["heart_rate_comparator"]) == (140, None)
    assert {"heart_rate", "heart_rate_comparator"} <= repeated(found)
