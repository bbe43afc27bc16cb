"""The oxygen saturation screen, every branch of both versions at its boundary values.

The rules: the chart of 2011 on the CDC's page for providers (Kemper 2011); the simplification in Oster, Pediatrics
2025;155:e2024069667. Each row is arithmetic on those rules.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from scenes import CATALOGUE, made, read, said, saturations, scene, tells, with_settings

from adapter.derive import withheld
from adapter.derive.screening import Attempt, Outcome, screened
from adapter.exam import Exam, Urgency
from adapter.read import check_exam

R2011, R2025 = CATALOGUE.screenings["r2011"], CATALOGUE.screenings["r2025"]
PASS, REPEAT, FAIL = Outcome.PASS, Outcome.REPEAT, Outcome.FAIL


def tries(*pairs: tuple[int | str | None, int | str | None]) -> list[Attempt]:
    return [Attempt(*(None if value is None else Decimal(value) for value in pair)) for pair in pairs]


@pytest.mark.parametrize(
    ("hand", "foot", "in_2011", "in_2025"),
    [
        (97, 96, PASS, PASS),
        (95, 92, PASS, REPEAT),  # one of the two at 95 is enough in 2011 only
        (93, 96, PASS, REPEAT),
        (92, 95, PASS, REPEAT),
        (95, 91, REPEAT, REPEAT),  # a difference of 4
        (100, 97, PASS, PASS),  # a difference of 3
        (100, 96, REPEAT, REPEAT),
        (95, 95, PASS, PASS),
        (94, 94, REPEAT, REPEAT),
        ("94.9", "94.9", REPEAT, REPEAT),
        (90, 90, REPEAT, REPEAT),
        ("89.9", 95, FAIL, FAIL),
        (96, 89, FAIL, FAIL),
        (89, 96, FAIL, FAIL),
        (97, None, None, None),  # incomplete
        (None, 97, None, None),
        (None, 88, FAIL, FAIL),  # any reading under 90 fails, even alone
    ],
)
def test_one_attempt(hand: int, foot: int, in_2011: Outcome | None, in_2025: Outcome | None) -> None:
    assert screened(tries((hand, foot)), R2011) is in_2011
    assert screened(tries((hand, foot)), R2025) is in_2025


BETWEEN = (94, 94)


@pytest.mark.parametrize(
    ("pairs", "in_2011", "in_2025"),
    [
        ([BETWEEN, BETWEEN], REPEAT, FAIL),  # the second retest is 2011's alone
        ([BETWEEN, BETWEEN, BETWEEN], FAIL, FAIL),
        ([BETWEEN, (95, 95)], PASS, PASS),
        ([BETWEEN, BETWEEN, (97, 96)], PASS, FAIL),
        ([BETWEEN, (96, 89)], FAIL, FAIL),
        ([BETWEEN, (97, None)], REPEAT, REPEAT),  # an incomplete retest counts for nothing
        ([BETWEEN, (97, None), BETWEEN], REPEAT, FAIL),
        ([(97, 97), (97, 88)], FAIL, FAIL),  # a pass is not for ever
        ([(97, 88), (97, 97)], FAIL, FAIL),  # a fail stays until a provider has seen the infant
        ([], None, None),
    ],
)
def test_attempts_in_the_order_of_time(
    pairs: list[tuple[int, int]], in_2011: Outcome | None, in_2025: Outcome | None
) -> None:
    assert screened(tries(*pairs), R2011) is in_2011
    assert screened(tries(*pairs), R2025) is in_2025


def outcome(exam: Exam, version: str = "r2011") -> str | None:
    found = made(exam, "cchd_screen", with_settings(cchd_version=version))
    return found[0].finding.answer if found else None


def test_the_site_chooses_the_version_and_the_result_names_it() -> None:
    exam = scene(saturations(95, 92))
    assert outcome(exam, "r2011") == "pass"
    assert outcome(exam, "r2025") == "repeat_in_1h"
    (one,) = made(exam, "cchd_screen", with_settings(cchd_version="r2025"))
    assert one.maker is not None
    assert "2025" in one.maker.label
    assert one.derived_from == (0,)


def test_attempts_count_by_their_time_not_by_their_place_in_the_file() -> None:
    late, early = saturations(97, 97, "27"), saturations(94, 94, "26")
    assert outcome(scene(late, early)) == outcome(scene(early, late)) == "pass"


@pytest.mark.parametrize(("hours", "expected"), [("23.99", None), ("24", "pass"), ("24.01", "pass")])
def test_a_screen_before_24_hours_is_none(hours: str, expected: str | None) -> None:
    exam = scene(saturations(98, 98, hours))
    assert outcome(exam) == expected
    reasons = [one.said(CATALOGUE.words) for one in withheld(exam, CATALOGUE) if one.item == "cchd_screen"]
    assert reasons == (
        [] if expected else ["Oxygen saturation screen for heart disease: no result: read before 24 h of life"]
    )


def test_a_very_low_reading_fails_at_any_age() -> None:
    assert outcome(scene(saturations(96, 85, "10"), hours="10")) == "fail"


def test_a_reading_that_is_missing_gives_a_reason_and_no_result() -> None:
    exam = scene(saturations(97, None))
    assert outcome(exam) is None
    assert "incomplete" in " ".join(one.said(CATALOGUE.words) for one in withheld(exam, CATALOGUE))


def test_spot_readings_are_no_screen_and_a_captured_result_is_kept() -> None:
    spots = [
        read("oxygen_saturation", "88", "%", site="right_foot"),
        read("oxygen_saturation", "97", "%", site="right_hand"),
    ]
    assert outcome(scene(*spots)) is None
    assert outcome(scene(saturations(97, 96), said("cchd_screen", "repeat_in_1h"))) is None
    assert outcome(scene(saturations(97, 96), said("cchd_screen", "pass"))) is None


def test_a_captured_pass_does_not_hide_readings_that_fail() -> None:
    exam = scene(saturations(96, 88), said("cchd_screen", "pass"))
    assert outcome(exam) == "fail"
    assert [line.urgency for line in tells(exam)] == [Urgency.TELL_NOW]


def test_a_captured_result_that_its_readings_cannot_give_is_an_error() -> None:
    rules = {
        answer: {
            problem.rule for problem in check_exam(scene(saturations(96, 88), said("cchd_screen", answer)), CATALOGUE)
        }
        for answer in ("pass", "repeat_in_1h", "fail")
    }
    assert [a for a, found in rules.items() if "result-not-of-readings" in found] == ["pass", "repeat_in_1h"]
