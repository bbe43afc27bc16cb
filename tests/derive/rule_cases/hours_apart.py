"""Signs that were found hours apart, in examinations of their own: as many hours as a rule counts over, and a little
more; in the order given and the other way round. What does not go away counts weeks later too.

NICE NG195 (S21) counts the indicators that an infant has, and watches one with a single indicator for at least 12
hours. The other hours are common practice.
"""

from __future__ import annotations

from decimal import Decimal

from scenes import read, said

from adapter.exam import Finding
from rule_cases.blood import CAPUT, MURMUR, brachial, femoral
from rule_cases.breathing import CLEFT, HEART_RIGHT, LESS_AIR, NECK_MASS, SMALL_JAW, STRIDOR, TRACHEA
from rule_cases.feeding import FULL
from rule_cases.form import gonad
from rule_cases.infection import SMELLY_CORD
from rule_cases.nerves import OPIOID, withdrawal
from rule_cases.over_exams import arm, glucose
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

BLUE = said("skin_colour", "central_cyanosis")
CHORIOAMNIONITIS = said("infection_risks", "chorioamnionitis")
FRACTURE = said("clavicle", "tender", side="left")
TUFT = said("spine_midline_skin", "hair_tuft", site="lower_back")


def nares(side: str) -> Finding:
    return said("nares_patency", "one_side_blocked", side=side)


Two = tuple[list[Finding], list[Finding]]

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
    "noisy_airway_with_effort": (12, [STRIDOR], [BLUE]),
    "nose_blocked_both_sides": (24, [nares("left")], [nares("right")]),
    "infection_red_flag": (4, [REFILL_LONG], [said("skin_colour", "pale")]),
    "long_refill_with_mottling": (4, [REFILL_LONG], [said("skin_colour", "grey")]),
    "weak_pulses_everywhere": (12, [femoral("weak")], [brachial("weak")]),
    "weak_femoral_strong_brachial": (24, [femoral("weak")], [brachial("bounding")]),
    "pale_stool_or_dark_urine_with_jaundice": (
        168,
        [said("stool_character", "pale_clay")],
        [said("urine_character", "dark")],
    ),
    "feeding_concern_with_sign": (24, [said("parent_concern", "feeding_concern")], [FEEDS_POORLY]),
    "thick_blood": (24, [said("skin_colour", "plethora")], [LETHARGIC]),
    "glucose_low_with_signs": (4, [glucose("44")], [LETHARGIC]),
    "reflexes_weak_together": (4, [WEAK_SUCK, said("rooting", "absent")], [said("stepping", "absent")]),
    "dehydration": (24, [LETHARGIC], lost("10.1")),
    "feeding_failure_with_jaundice": (24, [YELLOW, FEW_FEEDS], lost("10.1")),
    "limbs_limp_on_both_sides": (24, [arm("reduced", "left")], [arm("limp_no_grasp", "right")]),
}
"""Of each rule its hours, and what two examinations found so far apart."""
SIGN_FIRST: dict[str, tuple[int, list[Finding], list[Finding]]] = {
    "infection_risk_with_one_sign": (12, [axilla("36.4")], [CHORIOAMNIONITIS]),
    "withdrawal_signs_with_exposure": (72, withdrawal("cries_much"), [OPIOID]),
}
"""A sign, and then the risk from the mother that came to light so many hours later; a risk itself lasts."""
EVER: dict[str, Two] = {
    "noisy_airway_with_effort": ([SMALL_JAW], [STRIDOR]),
    "neck_mass_with_airway_signs": ([NECK_MASS], [STRIDOR]),
    "birth_injury_one_side": ([FRACTURE], [said("palmar_grasp", "weak", side="left")]),
    "birth_injury_with_fast_breathing": ([FRACTURE, arm("reduced", "left")], [RATE_61]),
    "jaundice_with_risk": ([said("birth_marks_of_delivery", "extensive_bruising", site="face")], [YELLOW]),
    "jaundice_with_positive_antiglobulin": ([said("direct_antiglobulin", "positive")], [YELLOW]),
    "bleeding_without_vitamin_k": ([said("vitamin_k", "declined")], [said("umbilical_stump", "bleeding")]),
    "genitalia_to_be_seen": ([gonad("not_felt")], [said("penis_meatus", "hypospadias")]),
    "small_penis_with_low_glucose": ([said("penis_meatus", "looks_small")], [glucose("44")]),
    "small_jaw_with_cleft": ([SMALL_JAW], [CLEFT]),
    "small_jaw_with_cleft_and_noise": ([SMALL_JAW], [CLEFT, STRIDOR]),
    "several_malformations": (
        [said("umbilical_vessels", "one_artery_one_vein")],
        [said("murmur", "loud_or_thrill")],
    ),
    "neck_skin_with_swollen_hands_or_feet": (
        [said("neck_form", "webbed", site="neck_side")],
        [said("oedema", "dorsum_hands_or_feet", site="foot")],
    ),
    "uneven_folds_with_hip_sign": (
        [said("thigh_gluteal_folds", "uneven_alone")],
        [said("hip_abduction", "limited", side="left")],
    ),
    "dimple_with_another_mark": ([said("spine_midline_skin", "simple_dimple", site="lower_back")], [TUFT]),
    "spine_mark_with_weak_legs_or_stream": ([TUFT], [WEAK_STREAM]),
    "small_fontanelle_with_ridge": (
        [read("anterior_fontanelle_size", "0.5", "cm")],
        [said("sutures", "ridged_immobile", site="sagittal_suture")],
    ),
}
"""Of each rule on what does not go away, what two examinations found."""


def _cases(rule: str, hours: int, first: list[Finding], then: list[Finding]) -> tuple[list[Case], list[Case]]:
    ways = ((first, then), (then, first)) if rule in APART else ((first, then),)
    now = 400 if hours > 90 else 40 if rule.startswith("infection_r") else 90
    early, late = str(now - hours), str(now - hours - Decimal("0.1"))
    return (
        [case(*here, hours=str(now), before={early: before}) for before, here in ways],
        [case(*here, hours=str(now), before={late: before}) for before, here in ways]
        + [case(hours=str(now), before={early: before, str(now - 1): here}) for before, here in ways],  # told then
    )


def _ever(first: list[Finding], then: list[Finding]) -> tuple[list[Case], list[Case]]:
    ways = ((first, then), (then, first))
    return (
        [case(*here, hours="700", before={"30": before}) for before, here in ways],
        [case(hours="700", before={"30": before, "690": here}) for before, here in ways],
    )


CASES: Cases = {}
for rule, given in {**APART, **SIGN_FIRST}.items():
    CASES[rule] = _cases(rule, *given)
for rule, two in EVER.items():
    fires, nearly = CASES.get(rule, ([], []))
    more, less = _ever(*two)
    CASES[rule] = ([*fires, *more], [*nearly, *less])
