"""What the software computes: weight change, gestation, score totals; a captured value is never replaced."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_exams import exam, measured

from adapter.catalogue import Catalogue, Item, load_catalogue
from adapter.derive import Computed, computed_findings, judge, score_total
from adapter.exam import Amount, Comparator, Exam, Finding, Gestation, Quantity, Score

CATALOGUE = load_catalogue()


def computed(one: Exam, item: str) -> Computed | None:
    return next((c for c in computed_findings(one, CATALOGUE) if c.finding.item == item), None)


def change(birth: str, now: str) -> Computed:
    found = computed(
        exam(measured("birth_weight", birth, "g"), measured("weight", now, "g")), "weight_change_percent"
    )
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("birth", "now", "percent"),
    # 100 x (weight - birth weight) / birth weight, one decimal place (arithmetic)
    [("2600", "2314", "-11.0"), ("3200", "2880", "-10.0"), ("3310", "3180", "-3.9"), ("3000", "3000", "0.0")],
)
def test_weight_change(birth: str, now: str, percent: str) -> None:
    found = change(birth, now)
    assert found.finding.value == Quantity(value=Decimal(percent), unit="%")
    assert str(found.finding.value) == f"{percent} %"
    assert found.derived_from == (1, 0)


def test_a_loss_of_exactly_ten_percent_is_not_more_than_ten(catalogue: Catalogue) -> None:
    # NICE NG75 (2017): "more than 10%"; 3200 -> 2880 g is exactly -10 %, 3200 -> 2879 g is -10.03 % (arithmetic)
    item = catalogue.items["weight_change_percent"]
    late = exam(hours="80")
    flags = []
    for now in ("2880", "2879"):
        found = change("3200", now)
        judged = judge(found.finding, item, late, catalogue, found.exact)
        assert judged is not None
        flags.append((judged.meaning.value, judged.urgency.value))
    assert flags == [("variant", "none"), ("abnormal", "tell")]


@given(st.integers(500, 6000), st.integers(500, 6000))
def test_weight_change_by_arithmetic(birth: int, now: int) -> None:
    found = change(str(birth), str(now))
    assert found.exact is not None
    assert abs(found.exact * birth - 100 * (now - birth)) < Decimal("1e-15")
    assert isinstance(found.finding.value, Quantity)
    assert abs(found.finding.value.value - found.exact) <= Decimal("0.05")


def test_weight_change_across_units() -> None:
    # 7 lb = 3175.14659 g (NIST Handbook 44, appendix C: 453.59237 g a pound); 3016.39 g is 5.0 % less (arithmetic)
    birth = Finding(item="birth_weight", value=Quantity(value=Decimal(7), unit="lb"))
    now = Finding(item="weight", value=Quantity(value=Decimal("3.01639"), unit="kg"))
    found = computed(exam(birth, now), "weight_change_percent")
    assert found is not None
    assert found.finding.value == Quantity(value=Decimal("-5.0"), unit="%")


@pytest.mark.parametrize(
    "findings",
    [
        (measured("weight", "3000", "g"),),
        (measured("birth_weight", "3000", "g"),),
        (measured("birth_weight", "3000", "g"), Finding(item="weight", not_examined="too_unwell")),
        (measured("birth_weight", "3000", "g"), measured("weight", "3000", "g"), measured("weight", "2900", "g")),
        (
            Finding(
                item="birth_weight",
                value=Quantity(value=Decimal(3000), unit="g", comparator=Comparator.MORE),
            ),
            measured("weight", "2900", "g"),
        ),
    ],
)
def test_nothing_is_computed_from_what_is_not_sure(findings: tuple[Finding, ...]) -> None:
    assert computed(exam(*findings), "weight_change_percent") is None


@pytest.mark.parametrize("item", ["weight_change_percent", "gestational_age_at_birth"])
def test_a_captured_value_is_never_replaced(item: str) -> None:
    unit, value = ("%", "-1.0") if item == "weight_change_percent" else ("d", "270")
    for captured in (measured(item, value, unit), Finding(item=item, not_examined="other_reason")):
        weights = (measured("birth_weight", "3000", "g"), measured("weight", "2500", "g"))
        one = exam(*weights, captured, gestation=Gestation(weeks=40, days=0))
        assert computed(one, item) is None


@pytest.mark.parametrize(("days", "value", "unit"), [(2, "254", "d"), (0, "252", "d"), (None, "36", "wk")])
def test_gestation_as_a_finding(days: int | None, value: str, unit: str) -> None:
    # completed weeks and days: 36+2 = 254 d (arithmetic)
    found = computed(exam(gestation=Gestation(weeks=36, days=days)), "gestational_age_at_birth")
    assert found is not None
    assert found.finding.value == Quantity(value=Decimal(value), unit=unit)


APGAR = CATALOGUE.items["apgar_1_min"]
NIPS = CATALOGUE.items["pain"]
MODERATE = {"face": "grimace", "cry": "whimper", "breathing": "changed", "arms": "tense", "legs": "tense"}


@pytest.mark.parametrize(
    ("item", "signs", "total"),
    [
        # Apgar (MSD and Merck manuals, table): pale, 120/min, grimace, some bending, slow and irregular = 0+2+1+1+1
        (
            APGAR,
            {
                "colour": "blue_or_pale",
                "heart_rate": "from_100",
                "response": "grimace",
                "tone": "some_bending",
                "breathing": "slow_irregular",
            },
            5,
        ),
        # limbs blue, the rest full: 9 (arithmetic)
        (
            APGAR,
            {
                "colour": "limbs_blue",
                "heart_rate": "from_100",
                "response": "cry",
                "tone": "active",
                "breathing": "good",
            },
            9,
        ),
        # four signs and no colour: no total from an incomplete scale (common practice)
        (APGAR, {"heart_rate": "from_100", "response": "cry", "tone": "active", "breathing": "good"}, None),
        # Neonatal Infant Pain Scale (table in PMC10268568): one point for each of six signs; a vigorous cry is two
        (NIPS, {**MODERATE, "arousal": "fussy"}, 6),
        (NIPS, {**MODERATE, "cry": "vigorous", "arousal": "fussy"}, 7),
        (NIPS, MODERATE, None),
    ],
)
def test_score_totals(item: Item, signs: dict[str, str], total: int | None) -> None:
    assert score_total(Score(signs=signs), item) == total


def test_a_captured_total_stands() -> None:
    assert score_total(Score(total=8), APGAR) == 8
    signs = {"colour": "pink", "heart_rate": "from_100"}
    assert score_total(Score(total=8, signs=signs), APGAR) == 8


@pytest.mark.parametrize(("item", "low", "high"), [(APGAR, 0, 10), (NIPS, 0, 7)])
def test_scales_reach_from_end_to_end(item: Item, low: int, high: int) -> None:
    # Apgar 0 to 10 (AAP and ACOG, Pediatrics 2015;136:819); NIPS 0 to 7 (table in PMC10268568)
    assert sum(min(a.points for a in sign.answers) for sign in item.signs) == low
    assert sum(max(a.points for a in sign.answers) for sign in item.signs) == high


def test_amounts_in_two_parts_are_added(catalogue: Catalogue) -> None:
    # 7 lb 4 oz = 3288.5446825 g (NIST Handbook 44, appendix C; arithmetic)
    two = Quantity(value=Decimal(7), unit="lb", plus=Amount(value=Decimal(4), unit="oz"))
    assert catalogue.units.convert(two, "g") == Decimal("3288.54")
