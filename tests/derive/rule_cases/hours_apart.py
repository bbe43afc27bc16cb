"""Signs that were found hours apart, in examinations of their own: as many hours as a rule counts over, and a little
more; in the order given and the other way round.

NICE NG195 (S21) counts the indicators that an infant has, and watches one with a single indicator for at least 12
hours. The other hours are common practice.
"""

from __future__ import annotations

from decimal import Decimal

from scenes import read, said

from adapter.exam import Finding
from rule_cases.blood import CAPUT, MURMUR, femoral
from rule_cases.breathing import HEART_RIGHT, LESS_AIR, TRACHEA
from rule_cases.feeding import FULL
from rule_cases.form import gonad
from rule_cases.infection import SMELLY_CORD
from rule_cases.nerves import OPIOID, withdrawal
from rule_cases.over_exams import arm
from rule_cases.words import (
    FEEDS_POORLY,
    FLARING,
    LETHARGIC,
    RATE_61,
    REFILL_LONG,
    RETRACTIONS,
    YELLOW,
    Case,
    Cases,
    axilla,
    case,
    lost,
)

WEAK_SUCK = said("suck", "weak")
WEAK_STREAM, MASS = said("urine_character", "weak_stream"), said("abdomen_palpation", "mass", site="mid_abdomen")
FEW_FEEDS = read("feeds_in_24h", "5", "{count}")

APART: dict[str, tuple[int, list[Finding], list[Finding]]] = {
    "infection_or_low_glucose": (12, [WEAK_SUCK], [axilla("36.4")]),
    "breathing_distress": (4, [FLARING], [RETRACTIONS]),
    "duct_dependent_circulation": (24, [femoral("hard_to_feel")], [REFILL_LONG]),
    "murmur_with_colour_or_pulses": (24, [MURMUR], [FEEDS_POORLY]),
    "trachea_off_with_distress": (12, [TRACHEA], [RATE_61]),
    "heart_shifted_with_chest_signs": (12, [HEART_RIGHT], [LESS_AIR]),
    "bleeding_under_scalp": (24, [CAPUT], [read("heart_rate", "170", "/min")]),
    "gut_obstruction": (24, [FULL], [said("vomiting", "repeated_milk")]),
    "urine_blocked_in_a_boy": (24, [WEAK_STREAM], [MASS]),
    "jaundice_with_lethargy_or_poor_feeding": (24, [YELLOW], [LETHARGIC]),
    "bilirubin_encephalopathy_signs": (24, [YELLOW], [said("cry", "high_pitched")]),
    "cord_infection_with_illness": (24, [SMELLY_CORD], [axilla("38.0")]),
    "withdrawal_signs_several": (24, [*withdrawal("sweating", "sleeps_little")], [OPIOID, FEEDS_POORLY]),
    "testes_not_felt_on_both_sides": (72, [gonad("not_felt")], [gonad("not_felt", "right")]),
    "testes_undescended_on_both_sides": (72, [gonad("in_groin")], [gonad("not_felt", "right")]),
    "limbs_limp_on_both_sides": (24, [arm("reduced", "left")], [arm("limp_no_grasp", "right")]),
}
"""Of each rule its hours, and what two examinations found so far apart."""
ONE_WAY: dict[str, tuple[int, list[Finding], list[Finding]]] = {
    "dehydration": (24, [LETHARGIC], lost("10.1")),  # what is computed counts in its own exam
    "feeding_failure_with_jaundice": (24, [YELLOW, FEW_FEEDS], lost("10.1")),
}


def _cases(hours: int, first: list[Finding], then: list[Finding], both_ways: bool) -> tuple[list[Case], list[Case]]:
    ways = ((first, then), (then, first)) if both_ways else ((first, then),)
    early, late = str(90 - hours), str(90 - hours - Decimal("0.1"))
    return (
        [case(*here, hours="90", before={early: before}) for before, here in ways],
        [case(*here, hours="90", before={late: before}) for before, here in ways]
        + [case(hours="90", before={early: before, "89": here}) for before, here in ways],  # told of the exam at 89 h
    )


CASES: Cases = {
    **{rule: _cases(*given, both_ways=True) for rule, given in APART.items()},
    **{rule: _cases(*given, both_ways=False) for rule, given in ONE_WAY.items()},
}
