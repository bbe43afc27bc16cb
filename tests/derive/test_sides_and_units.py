"""Differences between sides; moments by hours of life; values with a comparator; two units of one measurement."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest
from scenes import BORN, CATALOGUE, came, made, missed, read, said, scene, tells

from adapter.catalogue import Flag, Meaning
from adapter.derive import judge, withheld
from adapter.exam import Comparator, Finding, Quantity, Urgency


@pytest.mark.parametrize("item", [i.id for i in CATALOGUE.items.values() if i.compare_sides])
def test_sides_that_differ_are_a_finding_of_their_own(item: str) -> None:
    answers = CATALOGUE.items[item].answers
    expected = next(a.id for a in answers if a.meaning is Meaning.EXPECTED)
    abnormal = next(a.id for a in answers if a.meaning is Meaning.ABNORMAL)
    left, right = said(item, expected, side="left"), said(item, abnormal, side="right")
    (one,) = made(scene(left, right), "side_difference")
    assert one.derived_from == (0, 1)
    assert one.meaning is Meaning.ABNORMAL
    assert made(scene(left, said(item, expected, side="right")), "side_difference") == []
    assert made(scene(left, missed(item, side="right")), "side_difference") == []
    assert made(scene(left), "side_difference") == []


def test_a_difference_is_told_once_with_both_sides() -> None:
    exam = scene(said("femoral_pulse", "equal_easy", side="left"), said("femoral_pulse", "weak", side="right"))
    (line,) = tells(exam)
    assert line.words == "Femoral pulse: left easy to feel; right weak"
    assert line.urgency is Urgency.TELL_NOW


def test_a_difference_between_two_variants_is_a_finding_and_is_not_told() -> None:
    exam = scene(
        said("moro", "complete_symmetrical", side="left"), said("moro", "incomplete_preterm", side="right"), weeks=35
    )
    (one,) = made(exam, "side_difference")
    assert one.meaning is not Meaning.ABNORMAL
    assert not tells(exam)


# First urine: nearly all by 24 h; first stool: nearly all by 24 h, late at 48 h (Pediatrics in Review 15:319).
@pytest.mark.parametrize(
    ("item", "hours", "told"),
    [
        ("first_void", "23.99", False),
        ("first_void", "24", False),
        ("first_void", "24.01", True),
        ("first_void", "30", True),
        ("first_stool", "24.01", False),
        ("first_stool", "48", False),
        ("first_stool", "48.01", True),
    ],
)
def test_a_moment_is_judged_by_the_hours_of_life_at_it(item: str, hours: str, told: bool) -> None:
    exam = scene(came(item, hours), hours="60")
    assert bool(tells(exam)) is told
    assert judge(exam.findings[0], CATALOGUE.items[item], exam, CATALOGUE) is not None


def glucose(value: str, unit: str = "mg/dL", comparator: Comparator | None = None) -> Finding:
    return Finding(item="glucose", value=Quantity(value=Decimal(value), unit=unit, comparator=comparator))


# Lines of Adamkin 2011: 25, 40 (to 4 h) and 45 mg/dL. 180.156 g/mol (C6H12O6): 45 mg/dL = 2.4978 mmol/L by hand.
@pytest.mark.parametrize(
    ("value", "unit", "flag"),
    [
        ("24", "mg/dL", Flag.LOW_CRITICAL),
        ("25", "mg/dL", Flag.LOW_CRITICAL),  # under 35 from 4 hours: Adamkin 2011
        ("34", "mg/dL", Flag.LOW_CRITICAL),
        ("35", "mg/dL", Flag.LOW),
        ("44", "mg/dL", Flag.LOW),
        ("45", "mg/dL", Flag.NORMAL),
        ("1.3", "mmol/L", Flag.LOW_CRITICAL),  # 23.4
        ("1.9", "mmol/L", Flag.LOW_CRITICAL),  # 34.2
        ("2.0", "mmol/L", Flag.LOW),  # 36.0
        ("2.4", "mmol/L", Flag.LOW),  # 43.2
        ("2.49", "mmol/L", Flag.LOW),  # 44.86
        ("2.5", "mmol/L", Flag.NORMAL),  # 45.04
    ],
)
def test_glucose_in_either_unit_is_judged_by_the_same_lines(value: str, unit: str, flag: Flag) -> None:
    exam = scene(glucose(value, unit), hours="30")
    judged = judge(exam.findings[0], CATALOGUE.items["glucose"], exam, CATALOGUE)
    assert judged is not None
    assert judged.flag is flag


@pytest.mark.parametrize(
    ("value", "comparator", "flag"),
    [
        ("20", Comparator.LESS, Flag.LOW_CRITICAL),
        ("25", Comparator.LESS, Flag.LOW_CRITICAL),
        ("25", Comparator.AT_MOST, Flag.LOW_CRITICAL),
        ("35", Comparator.AT_MOST, Flag.LOW),  # critical or low: low is sure
        ("40", Comparator.LESS, Flag.LOW),
        ("45", Comparator.LESS, Flag.LOW),
        ("45", Comparator.AT_MOST, None),  # may be normal
        ("50", Comparator.LESS, None),
        ("600", Comparator.MORE, Flag.HIGH),
        ("100", Comparator.MORE, None),
    ],
)
def test_a_value_with_a_comparator_is_judged_by_what_is_sure(value: str, comparator: Comparator, flag: Flag) -> None:
    exam = scene(glucose(value, comparator=comparator), hours="30")
    judged = judge(exam.findings[0], CATALOGUE.items["glucose"], exam, CATALOGUE)
    assert (judged.flag if judged else None) is flag


def test_nothing_is_sure_of_a_range_that_is_known_in_part() -> None:
    chest = Finding(
        item="chest_circumference", value=Quantity(value=Decimal(31), unit="cm", comparator=Comparator.MORE)
    )
    exam = scene(chest)
    assert judge(chest, CATALOGUE.items["chest_circumference"], exam, CATALOGUE) is None


def bilirubin(value: str, hours: str, unit: str = "mg/dL", kind: str = "transcutaneous_bilirubin") -> Finding:
    at = BORN + timedelta(seconds=int(Decimal(hours) * 3600))
    return read(kind, value, unit, observed_at=at)


# Fast: 0.3 mg/dL an hour or more in the first 24 h, 0.2 or more after (Kemper, Pediatrics 2022;150:e2022058859).
@pytest.mark.parametrize(
    ("first", "second", "exact", "urgency"),
    [
        (("5.0", "12"), ("8.0", "22"), "0.3", Urgency.TELL_NOW),
        (("5.0", "12"), ("7.9", "22"), "0.29", None),
        (("5.0", "30"), ("7.0", "40"), "0.2", Urgency.TELL_SOON),
        (("5.0", "30"), ("6.9", "40"), "0.19", None),
        (("9.0", "30"), ("8.0", "40"), "-0.1", None),
    ],
)
def test_the_rise_of_bilirubin(
    first: tuple[str, str], second: tuple[str, str], exact: str, urgency: Urgency | None
) -> None:
    for order in ([first, second], [second, first]):
        exam = scene(*(bilirubin(*one) for one in order), hours="10")
        (one,) = made(exam, "bilirubin_rise")
        assert one.exact == Decimal(exact)
        told = [t.urgency for t in tells(exam) if t.item.id == "bilirubin_rise"]
        assert told == ([urgency] if urgency else [])
        assert "your site's chart" in (one.finding.note or "")


def test_one_bilirubin_gives_no_rise_and_says_what_to_do() -> None:
    exam = scene(bilirubin("9.0", "30"))
    assert made(exam, "bilirubin_rise") == []
    assert "your site's chart" in " ".join(str(one) for one in withheld(exam, CATALOGUE))


def test_a_meter_on_the_skin_and_the_laboratory_are_not_one_series() -> None:
    exam = scene(bilirubin("5.0", "30"), bilirubin("9.0", "40", kind="serum_bilirubin"))
    assert made(exam, "bilirubin_rise") == []


def test_bilirubin_in_micromoles() -> None:
    """14.8 mg/dL is 253 umol/L (worked pair, Am Fam Physician, 1 November 2002); 584.66 g/mol is C33H36N4O6."""
    item = CATALOGUE.items["serum_bilirubin"]
    amount = CATALOGUE.amount(Quantity(value=Decimal(253), unit="umol/L"), item)
    assert abs(amount - Decimal("14.8")) <= Decimal("0.01")


@pytest.mark.parametrize(("item", "answer"), [("finger_form", "webbed_or_joined"), ("toe_form", "webbed_or_joined")])
def test_digits_that_are_joined_can_be_recorded_and_are_told(item: str, answer: str) -> None:
    assert [t.rule for t in tells(scene(said(item, answer, side="left")))] == [f"{item}.{answer}"]
    assert not tells(scene(said("toe_form", "second_third_partly_joined", side="left")))
