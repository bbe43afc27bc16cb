"""Scored instruments against published tables: Apgar, maturity, the two scores of breathing, pain."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import CATALOGUE, made, scene, scored, tells

from adapter.catalogue import Flag
from adapter.derive import judge, missing_signs, score_total, withheld
from adapter.derive.scores import estimate, slots
from adapter.exam import Score, Sex, Urgency
from adapter.read import check_exam

APGAR = CATALOGUE.items["apgar_5_min"]
MATURITY = CATALOGUE.items["maturity_score"]
TABLE = CATALOGUE.estimates["maturity_weeks"]


def total(item: str, **signs: str) -> int | None:
    return score_total(Score(signs=signs), CATALOGUE.items[item])


# Apgar table: MSD and Merck manuals, 2021 and 2023 (after Apgar 1953; AAP and ACOG 2015).
FULL = {"colour": "pink", "heart_rate": "from_100", "response": "cry", "tone": "active", "breathing": "good"}


@pytest.mark.parametrize(
    ("signs", "points"),
    [
        # A worked example of nursing teaching: pale, 120, little response, some bending, slow and irregular = 5
        (
            {"colour": "blue_or_pale", "heart_rate": "from_100", "response": "grimace"}
            | {"tone": "some_bending", "breathing": "slow_irregular"},
            5,
        ),
        (FULL | {"colour": "limbs_blue"}, 9),
        (FULL, 10),
        (
            dict.fromkeys(("heart_rate", "response", "breathing"), "none")
            | {"colour": "blue_or_pale", "tone": "limp"},
            0,
        ),
        # Where public answer keys go wrong: blue, 60, gasping, grimace, some bending is 4 by the table, not 1
        (
            {"colour": "blue_or_pale", "heart_rate": "under_100", "response": "grimace"}
            | {"tone": "some_bending", "breathing": "slow_irregular"},
            4,
        ),
    ],
)
@pytest.mark.parametrize("minute", [1, 5, 10, 15, 20])
def test_apgar_totals(minute: int, signs: dict[str, str], points: int) -> None:
    assert total(f"apgar_{minute}_min", **signs) == points


@pytest.mark.parametrize("gone", list(FULL))
def test_a_partial_apgar_has_no_total_and_says_which_sign_is_missing(gone: str) -> None:
    signs = {name: answer for name, answer in FULL.items() if name != gone}
    assert total("apgar_5_min", **signs) is None
    label = next(sign.label for sign in APGAR.signs if sign.id == gone)
    reasons = [one.said(CATALOGUE.words) for one in withheld(scene(scored("apgar_5_min", **signs)), CATALOGUE)]
    assert reasons == [f"Apgar score at 5 minutes: no total, without {label}"]


def test_a_captured_total_that_its_parts_cannot_give_is_an_error() -> None:
    wrong = scene(scored("apgar_5_min", total=8, **FULL), kind="shift")
    right = scene(scored("apgar_5_min", total=10, **FULL), kind="shift")
    assert "total-not-of-signs" in {problem.rule for problem in check_exam(wrong, CATALOGUE)}
    assert "total-not-of-signs" not in {problem.rule for problem in check_exam(right, CATALOGUE)}


# Bands at 5 minutes: AAP and ACOG, Pediatrics 2015;136:819 (0-3 low, 4-6 moderately abnormal, 7-10 reassuring).
@pytest.mark.parametrize(
    ("points", "normal"), [(0, False), (3, False), (4, False), (6, False), (7, True), (10, True)]
)
def test_apgar_bands(points: int, normal: bool) -> None:
    exam = scene(scored("apgar_5_min", total=points))
    judged = judge(exam.findings[0], APGAR, exam, CATALOGUE)
    assert judged is not None
    assert (judged.flag is Flag.NORMAL) is normal
    assert bool(tells(exam)) is (points < 7)


# Maturity rating: Ballard, J Pediatr 1991;119:417, and the author's own answer for the totals between its rows.
GRID = {-10: 20, -5: 22, 0: 24, 5: 26, 10: 28, 15: 30, 20: 32, 25: 34, 30: 36, 35: 38, 40: 40, 45: 42, 50: 44}


@pytest.mark.parametrize(("points", "weeks"), list(GRID.items()))
def test_the_maturity_table(points: int, weeks: int) -> None:
    assert estimate(TABLE, points) == weeks


@pytest.mark.parametrize(
    ("points", "weeks"),
    [(16, 30), (17, 30), (18, 31), (19, 31), (25, 34), (26, 34), (27, 34), (28, 35), (29, 35), (-9, 20), (49, 43)],
)
def test_between_the_rows_completed_weeks_are_rounded_down(points: int, weeks: int) -> None:
    assert estimate(TABLE, points) == weeks


@given(st.integers(-10, 50))
def test_every_total_is_the_floor_of_the_straight_line(points: int) -> None:
    """``floor((2 x total + 120) / 5)`` gives the whole published grid; there is no half week."""
    assert estimate(TABLE, points) == (2 * points + 120) // 5


@pytest.mark.parametrize(("points", "words"), [(-11, "under 20"), (-12, "under 20"), (51, "over 44")])
def test_outside_the_table_there_is_no_number(points: int, words: str) -> None:
    found = estimate(TABLE, points)
    assert isinstance(found, str)
    assert words in found


def test_minus_12_is_possible_and_lies_below_the_table() -> None:
    """With the lowest answer of every sign the total is -12 (arithmetic on the score's grid)."""
    lowest = {signs[0].id: min(signs[0].answers, key=lambda a: a.points).id for signs in slots(MATURITY)}
    exam = scene(scored("maturity_score", **lowest))
    assert score_total(exam.findings[0].value, MATURITY) == -12  # type: ignore[arg-type]
    assert made(exam, "maturity_estimate") == []
    assert "under 20 weeks" in " ".join(one.said(CATALOGUE.words) for one in withheld(exam, CATALOGUE))


def full_maturity(sex: str) -> dict[str, str]:
    signs = {s[0].id: max(s[0].answers, key=lambda a: a.points).id for s in slots(MATURITY) if len(s) == 1}
    sign = MATURITY.sign(f"genitals_{sex}")
    assert sign is not None
    return signs | {sign.id: max(sign.answers, key=lambda a: a.points).id}


@pytest.mark.parametrize("sex", ["male", "female"])
def test_one_genital_row_counts_and_the_most_is_50(sex: str) -> None:
    signs = full_maturity(sex)
    assert len(slots(MATURITY)) == 12  # six neuromuscular and six physical signs
    assert total("maturity_score", **signs) == 50
    without = {name: answer for name, answer in signs.items() if not name.startswith("genitals")}
    assert total("maturity_score", **without) is None
    assert missing_signs(Score(signs=without), MATURITY, CATALOGUE.words) == ("Genitals, male or Genitals, female",)


def test_both_genital_rows_are_an_error_and_give_no_total() -> None:
    both = full_maturity("male") | full_maturity("female")
    exam = scene(scored("maturity_score", **both), kind="initial")
    assert total("maturity_score", **both) is None
    assert "one-sign-of-group" in {problem.rule for problem in check_exam(exam, CATALOGUE)}


def test_the_estimate_is_a_finding_of_its_own_that_names_its_table() -> None:
    exam = scene(scored("maturity_score", **full_maturity("male")), sex=Sex.MALE)
    (one,) = made(exam, "maturity_estimate")
    assert str(one.finding.value) == "44 wk"
    assert one.derived_from == (0,)
    assert one.maker is not None
    assert one.maker.source == "S03"
    # the gestation on record is not touched
    (record,) = made(exam, "gestational_age_at_birth")
    assert str(record.finding.value) == "273 d"


# Silverman-Andersen: late preterm toolkit; Hedstrom, J Perinatol 2018;38:505.
@pytest.mark.parametrize(
    ("signs", "points"),
    [
        # A published exam question: lag, none, none, marked flaring, audible grunt = 5
        (("lags", "none", "none", "marked", "unaided"), 5),
        (("with_abdomen", "none", "none", "none", "none"), 0),
        (("see_saw", "marked", "marked", "marked", "unaided"), 10),
        (("lags", "just_visible", "just_visible", "minimal", "unaided"), 6),
    ],
)
def test_respiratory_distress_totals(signs: tuple[str, ...], points: int) -> None:
    names = ("upper_chest", "lower_chest", "xiphoid", "nostrils", "grunt")
    assert total("respiratory_distress_score", **dict(zip(names, signs, strict=True))) == points


@pytest.mark.parametrize(
    ("points", "urgency"),
    [(0, None), (1, Urgency.TELL), (3, Urgency.TELL), (4, Urgency.TELL_NOW), (10, Urgency.TELL_NOW)],
)
def test_respiratory_distress_bands(points: int, urgency: Urgency | None) -> None:
    assert [t.urgency for t in tells(scene(scored("respiratory_distress_score", total=points)))] == (
        [urgency] if urgency else []
    )


def test_respiratory_failure_totals() -> None:
    """Downes, after a medical algorithms collection: 60-80 = 1, none = 0, mild = 1, audible = 2, less = 1: 5."""
    signs = {
        "rate": "from_60_to_80",
        "blueness": "none",
        "retraction": "mild",
        "grunt": "unaided",
        "air_entry": "less",
    }
    assert total("respiratory_failure_score", **signs) == 5
    assert [t.urgency for t in tells(scene(scored("respiratory_failure_score", total=3)))] == [Urgency.TELL]
    assert [t.urgency for t in tells(scene(scored("respiratory_failure_score", total=4)))] == [Urgency.TELL_NOW]


def test_pain_totals() -> None:
    """Neonatal Infant Pain Scale, table in PMC10268568: at most 7, with a whimper 6; over 3 is pain."""
    most = {"face": "grimace", "cry": "vigorous", "breathing": "changed", "arms": "tense", "legs": "tense"}
    most |= {"arousal": "fussy"}
    assert total("pain", **most) == 7
    assert total("pain", **(most | {"cry": "whimper"})) == 6
    assert not tells(scene(scored("pain", total=3)))
    assert [t.urgency for t in tells(scene(scored("pain", total=4)))] == [Urgency.TELL]


def test_every_score_carries_its_caution_and_reaches_its_own_limits() -> None:
    for item in CATALOGUE.items.values():
        if item.signs:
            ends = [
                (min(a.points for s in signs for a in s.answers), max(a.points for s in signs for a in s.answers))
                for signs in slots(item)
            ]
            assert item.limits is not None
            assert item.limits.possible == (Decimal(sum(e[0] for e in ends)), Decimal(sum(e[1] for e in ends)))
            assert item.caution
