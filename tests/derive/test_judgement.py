"""What a number means, at the very edges of the bands.

Figures: heart rate 100 to 160 (NICE CG37; the 2nd centile of 953 well term infants is 96 to 100: Tveiten 2021), in
quiet sleep from 87 (3rd centile, Bohnhorst 2019), to 190 awake and active (Benitz 2015), over 180 at rest a danger
sign (Uganda guidelines), under 100 in the first ten minutes a reason to ventilate (resuscitation algorithm of
2015); respiratory rate 30 to 60 a minute (Gomella's Neonatology), 95th centile 65 at 2 hours and 58 to 60 from 4
hours (Tveiten 2016); temperature 36.5 to 37.5 degrees Celsius with cold stress at 36.0 to 36.4 (WHO classes of
1997), oxygen saturation 95 % or more after transition (a children's hospital library page), below 90 % at once
(Oster, Pediatrics 2025). The bands beside them and all urgencies are common practice; a site sets its own.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from invented_exams import exam, measured

from adapter.catalogue import Catalogue, Meaning
from adapter.derive import judge, judged_findings
from adapter.derive.judgement import expected_range
from adapter.exam import Comparator, Exam, Finding, Gestation, Quantities, Quantity, Score, Urgency

RATES = [
    # item, value, state, hours, meaning, urgency, flag
    ("respiratory_rate", "19", None, "20", "abnormal", "tell-now", "LL"),
    ("respiratory_rate", "20", None, "20", "abnormal", "tell", "L"),
    ("respiratory_rate", "29", None, "20", "abnormal", "tell", "L"),
    ("respiratory_rate", "30", None, "20", "expected", "none", "N"),
    ("respiratory_rate", "60", None, "20", "expected", "none", "N"),
    ("respiratory_rate", "61", None, "20", "abnormal", "tell", "H"),
    ("respiratory_rate", "61", None, "3.99", "variant", "none", "H"),
    ("respiratory_rate", "61", None, "4", "abnormal", "tell", "H"),
    ("respiratory_rate", "80", None, "0.99", "variant", "none", "H"),
    ("respiratory_rate", "71", None, "1", "abnormal", "tell-soon", "H"),
    ("respiratory_rate", "70", None, "20", "abnormal", "tell", "H"),
    ("respiratory_rate", "71", None, "20", "abnormal", "tell-soon", "H"),
    ("respiratory_rate", "80", None, "20", "abnormal", "tell-soon", "H"),
    ("respiratory_rate", "81", None, "0.5", "abnormal", "tell-now", "HH"),
    ("respiratory_rate", "81", None, "20", "abnormal", "tell-now", "HH"),
    ("heart_rate", "69", "deep_sleep", "20", "abnormal", "tell-now", "LL"),
    ("heart_rate", "70", "deep_sleep", "20", "variant", "none", "L"),
    ("heart_rate", "79", "quiet_alert", "20", "abnormal", "tell-now", "LL"),
    ("heart_rate", "79", None, "20", "abnormal", "tell-now", "LL"),
    ("heart_rate", "80", None, "20", "abnormal", "tell", "L"),
    ("heart_rate", "99", None, "20", "abnormal", "tell", "L"),
    ("heart_rate", "99", "deep_sleep", "20", "variant", "none", "L"),
    ("heart_rate", "90", "light_sleep", "20", "variant", "none", "L"),
    ("heart_rate", "89", "light_sleep", "20", "abnormal", "tell", "L"),
    ("heart_rate", "99", None, "0.16", "abnormal", "tell-now", "LL"),
    ("heart_rate", "99", None, "0.17", "abnormal", "tell", "L"),
    ("heart_rate", "100", None, "0.1", "expected", "none", "N"),
    ("heart_rate", "100", None, "20", "expected", "none", "N"),
    ("heart_rate", "160", None, "20", "expected", "none", "N"),
    ("heart_rate", "161", None, "20", "abnormal", "tell", "H"),
    ("heart_rate", "161", "crying", "20", "variant", "none", "H"),
    ("heart_rate", "172", None, "0.4", "variant", "none", "H"),
    ("heart_rate", "190", "crying", "20", "variant", "none", "H"),
    ("heart_rate", "191", "crying", "20", "abnormal", "tell-now", "HH"),
    ("heart_rate", "180", None, "20", "abnormal", "tell", "H"),
    ("heart_rate", "181", None, "20", "abnormal", "tell-now", "HH"),
]
TEMPERATURES = [
    ("35.9", "abnormal", "tell-now", "LL"),
    ("36.0", "abnormal", "tell", "L"),
    ("36.4", "abnormal", "tell", "L"),
    ("36.5", "expected", "none", "N"),
    ("37.5", "expected", "none", "N"),
    ("37.6", "abnormal", "tell", "H"),
    ("37.9", "abnormal", "tell", "H"),
    ("38.0", "abnormal", "tell-now", "HH"),
]
# In 951 well term infants 28 % were once under 36.5, four fifths of it in the first 8 hours; the rectum reads to
# 37.9 in the first 4 hours and to 37.7 after (97.5th centile; Tveiten 2024).
TEMPERATURES_BY_PLACE_AND_AGE = [
    ("36.4", "axilla", "7.9", ("variant", "none", "L")),
    ("36.4", "axilla", "8", ("abnormal", "tell", "L")),
    ("35.9", "axilla", "1", ("abnormal", "tell-now", "LL")),
    ("37.9", "rectum", "3.9", ("variant", "none", "H")),
    ("37.8", "rectum", "4", ("abnormal", "tell", "H")),
    ("37.7", "rectum", "20", ("variant", "none", "H")),
    ("37.7", "axilla", "20", ("abnormal", "tell", "H")),
    ("37.0", "ear_canal", "20", None),  # not the place of the range: never expected by it
    ("39.0", "ear_canal", "20", ("abnormal", "tell-now", "HH")),
]
# By minutes of life, right hand: 65 at 2, 70 at 3, 75 at 4, 80 at 5, 85 at 10 (resuscitation algorithm of 2015).
# After that 94 is the 3rd centile of quiet sleep (Bohnhorst 2019).
SATURATIONS = [
    ("89", "20", "abnormal", "tell-now", "LL"),
    ("90", "20", "abnormal", "tell-soon", "L"),
    ("92", "20", "abnormal", "tell-soon", "L"),
    ("93", "20", "abnormal", "tell", "L"),
    ("94", "20", "abnormal", "tell", "L"),
    ("94", "2.9", "variant", "none", "L"),
    ("94", "3", "abnormal", "tell", "L"),
    ("95", "20", "expected", "none", "N"),
    ("100", "20", "expected", "none", "N"),
    ("60", "0.03", "variant", "none", "L"),
    ("64", "0.04", "abnormal", "tell-now", "LL"),
    ("74", "0.07", "abnormal", "tell-now", "LL"),
    ("62", "0.16", "abnormal", "tell-now", "LL"),
    ("80", "0.1", "variant", "none", "L"),
    ("85", "0.1", "variant", "none", "L"),
    ("84", "0.168", "abnormal", "tell-now", "LL"),
    ("85", "1", "abnormal", "tell-now", "LL"),
]


def said(finding: Finding, catalogue: Catalogue, hours: str) -> tuple[str, str, str] | None:
    judged = judge(finding, catalogue.items[finding.item], exam(finding, hours=hours), catalogue)
    return None if judged is None else (judged.meaning.value, judged.urgency.value, judged.flag.value)


@pytest.mark.parametrize(("item", "value", "state", "hours", "meaning", "urgency", "flag"), RATES)
def test_rates(
    item: str, value: str, state: str | None, hours: str, meaning: str, urgency: str, flag: str, catalogue: Catalogue
) -> None:
    assert said(measured(item, value, "/min", state=state), catalogue, hours) == (meaning, urgency, flag)


@pytest.mark.parametrize(("value", "meaning", "urgency", "flag"), TEMPERATURES)
def test_temperature(value: str, meaning: str, urgency: str, flag: str, catalogue: Catalogue) -> None:
    assert said(measured("temperature", value, "Cel", site="axilla"), catalogue, "20") == (meaning, urgency, flag)


@pytest.mark.parametrize(("value", "site", "hours", "expected"), TEMPERATURES_BY_PLACE_AND_AGE)
def test_temperature_by_place_and_age(
    value: str, site: str, hours: str, expected: tuple[str, str, str] | None, catalogue: Catalogue
) -> None:
    assert said(measured("temperature", value, "Cel", site=site), catalogue, hours) == expected


# NICE CG98: from 38 weeks no exchange line over 450 umol/L and no phototherapy line over 350; at 24 hours 300 and
# 200; under 38 weeks the exchange line is never over gestation x 10 (full guideline 2010). 584.66 g/mol: 450 is
# 26.31 mg/dL.
BILIRUBINS = [
    ("serum_bilirubin", "480", "umol/L", "60", (39, 0), "tell-now"),
    ("serum_bilirubin", "28", "mg/dL", "60", (39, 0), "tell-now"),
    ("serum_bilirubin", "450", "umol/L", "200", (38, 0), "tell-now"),
    ("serum_bilirubin", "26.2", "mg/dL", "200", (38, 0), "tell-soon"),
    ("serum_bilirubin", "350", "umol/L", "200", (38, 0), "tell-soon"),
    (
        "serum_bilirubin",
        "348",
        "umol/L",
        "200",
        (38, 0),
        None,
    ),  # the site's chart decides
    ("serum_bilirubin", "370", "umol/L", "80", (37, 6), "tell-now"),
    ("serum_bilirubin", "368", "umol/L", "80", (37, 6), "tell-soon"),
    ("serum_bilirubin", "350", "umol/L", "80", (35, 0), "tell-now"),
    ("serum_bilirubin", "280", "umol/L", "80", (28, 0), "tell-now"),
    ("serum_bilirubin", "450", "umol/L", "80", None, "tell-now"),  # gestation not known
    ("serum_bilirubin", "200", "umol/L", "24", (39, 0), "tell-now"),
    ("serum_bilirubin", "200", "umol/L", "24.1", (39, 0), None),
    ("transcutaneous_bilirubin", "14.6", "mg/dL", "60", (39, 0), "tell-soon"),  # over 250 umol/L: confirm in blood
    ("transcutaneous_bilirubin", "14.5", "mg/dL", "60", (39, 0), None),
    ("transcutaneous_bilirubin", "450", "umol/L", "60", (39, 0), "tell-now"),
]


@pytest.mark.parametrize(("item", "value", "unit", "hours", "weeks", "urgency"), BILIRUBINS)
def test_a_bilirubin_over_every_chart_is_told_and_none_is_an_all_clear(
    item: str, value: str, unit: str, hours: str, weeks: tuple[int, int] | None, urgency: str, catalogue: Catalogue
) -> None:
    gestation = None if weeks is None else Gestation(weeks=weeks[0], days=weeks[1])
    finding = measured(item, value, unit)
    judged = judge(finding, catalogue.items[item], exam(finding, hours=hours, gestation=gestation), catalogue)
    assert (judged and judged.urgency) == urgency
    assert judged is None or judged.meaning is Meaning.ABNORMAL


@pytest.mark.parametrize(("value", "hours", "meaning", "urgency", "flag"), SATURATIONS)
def test_saturation(value: str, hours: str, meaning: str, urgency: str, flag: str, catalogue: Catalogue) -> None:
    finding = measured("oxygen_saturation", value, "%", site="right_hand")
    assert said(finding, catalogue, hours) == (meaning, urgency, flag)


def test_the_unit_captured_does_not_matter(catalogue: Catalogue) -> None:
    # 97.7 degF = 36.5 Cel, 99.5 degF = 37.5 Cel, 100.4 degF = 38.0 Cel, exactly (NIST SP 811, B.8)
    flags = [
        said(measured("temperature", value, "degF", site="axilla"), catalogue, "20")
        for value in ("97.7", "99.5", "100.4")
    ]
    assert [flag and flag[2] for flag in flags] == ["N", "N", "HH"]


def test_a_value_beyond_the_device_is_judged_by_what_is_sure(catalogue: Catalogue) -> None:
    value = Quantity(value=Decimal(50), unit="mg/dL", comparator=Comparator.LESS)
    assert said(Finding(item="glucose", value=value), catalogue, "20") is None


def test_what_was_not_examined_is_not_judged(catalogue: Catalogue) -> None:
    assert said(Finding(item="heart_rate", not_examined="crying"), catalogue, "20") is None


def test_words_are_not_judged_but_the_examiner_is_heard(catalogue: Catalogue) -> None:
    words = Finding(item="other_findings", text="Invented.")
    assert said(words, catalogue, "20") is None
    marked = words.model_copy(update={"urgency": Urgency.TELL})
    assert said(marked, catalogue, "20") == ("abnormal", "tell", "A")


def test_the_examiner_raises_and_never_lowers(catalogue: Catalogue) -> None:
    low = measured("heart_rate", "70", "/min")
    assert said(low.model_copy(update={"urgency": Urgency.NONE}), catalogue, "20") == ("abnormal", "tell-now", "LL")
    fine = measured("heart_rate", "140", "/min", urgency=Urgency.TELL_NOW)
    assert said(fine, catalogue, "20") == ("expected", "tell-now", "N")


def test_every_answer_has_its_meaning(catalogue: Catalogue) -> None:
    for item in catalogue.items.values():
        for answer in item.answers:
            if answer.when is not None:
                continue  # true of some infants alone: test_answers_of_an_age
            judged = judge(Finding(item=item.id, value=answer.id), item, exam(), catalogue)
            assert judged is not None
            assert (judged.meaning, judged.urgency) == (answer.meaning, answer.urgency)
            assert (judged.flag == "A") == (answer.meaning is Meaning.ABNORMAL)


def test_pressures_are_judged_one_by_one(catalogue: Catalogue) -> None:
    # Kent, Pediatr Nephrol 2007: first day, systolic 46 to 94 mm[Hg]
    def pressure(systolic: int) -> Finding:
        numbers = {"systolic": Decimal(systolic), "diastolic": Decimal(40)}
        return Finding(item="blood_pressure", value=Quantities(components=numbers, unit="mm[Hg]"), site="right_arm")

    found = [said(pressure(value), catalogue, "20") for value in (45, 46, 94, 95)]
    assert [flag and flag[2] for flag in found] == ["L", "N", "N", "H"]
    # and of the fourth day 60 to 88; after that no band is known, so nothing is said
    found = [said(pressure(value), catalogue, "80") for value in (59, 60, 88, 89)]
    assert [flag and flag[2] for flag in found] == ["L", "N", "N", "H"]
    assert said(pressure(45), catalogue, "200") is None


def test_a_score_is_judged_by_its_total(catalogue: Catalogue) -> None:
    # AAP and ACOG, Pediatrics 2015;136:819, bands at 5 minutes: 7 to 10 reassuring
    found = [said(Finding(item="apgar_5_min", value=Score(total=total)), catalogue, "20") for total in (3, 6, 7, 10)]
    assert [flag and flag[0] for flag in found] == ["abnormal", "abnormal", "expected", "expected"]
    # Neonatal Infant Pain Scale: more than 3 means pain (table in PMC10268568)
    found = [said(Finding(item="pain", value=Score(total=total)), catalogue, "20") for total in (2, 3, 4)]
    assert [flag and flag[1] for flag in found] == ["none", "none", "tell"]
    assert said(Finding(item="pain", value=Score(signs={"cry": "whimper"})), catalogue, "20") is None


# What well newborns have every day is not told: the median loss of breastfed infants is about 7 % at 48 to 72 hours
# (Flaherman 2015); bands of the weight at birth hold for that weight alone. What is worse is told sooner: over 12 %
# (van Dommelen 2007), glucose under 35 from 4 hours (Adamkin 2011), no wet nappy at 48 hours, no feed by 12 hours.
DAILY = [
    ("weight_change_percent", "-7.2", "%", "48", "none"),
    ("weight_change_percent", "-7.2", "%", "27", "tell"),
    ("weight_change_percent", "-10.1", "%", "60", "tell"),
    ("weight_change_percent", "-12.1", "%", "60", "tell-now"),
    ("weight_change_percent", "-12.1", "%", "600", "tell-now"),
    ("weight_change_percent", "-1", "%", "503", "none"),
    ("weight_change_percent", "-1", "%", "504", "tell"),
    ("weight", "2480", "g", "30", "none"),
    ("birth_weight", "2480", "g", "30", "tell"),
    ("glucose", "34.9", "mg/dL", "4", "tell-now"),
    ("glucose", "34.9", "mg/dL", "3.9", "tell-soon"),
    ("glucose", "160", "mg/dL", "30", "none"),
    ("glucose", "181", "mg/dL", "30", "tell"),
    ("wet_nappies_in_24h", "0", "{count}", "48", "tell-now"),
    ("wet_nappies_in_24h", "0", "{count}", "47", "tell"),
    ("feeds_in_24h", "0", "{count}", "12", "tell-now"),
    ("feeds_in_24h", "2", "{count}", "24", "tell"),
    ("feeds_in_24h", "4", "{count}", "24", "none"),
]


@pytest.mark.parametrize(("item", "value", "unit", "hours", "urgency"), DAILY)
def test_what_is_daily_is_not_told_and_what_is_worse_is_told_sooner(
    item: str, value: str, unit: str, hours: str, urgency: str, catalogue: Catalogue
) -> None:
    finding = measured(item, value, unit)
    judged = judge(finding, catalogue.items[item], exam(finding, hours=hours), catalogue)
    assert judged is not None
    assert judged.urgency == urgency


def test_the_range_of_a_judgement_is_the_one_in_force(every: list[Exam], catalogue: Catalogue) -> None:
    """What the view says is expected, it says as if all ranges had been asked."""
    wrong = [
        (exam.details.id, one.finding)
        for exam in every
        for one in judged_findings(exam, catalogue)[1]
        if one.judged is not None and one.expected is not expected_range(one.finding, one.item, exam, catalogue)
    ]
    assert wrong == []
