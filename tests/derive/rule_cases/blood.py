"""Heart, circulation and bleeding.

Femoral pulses: Stockholm cohort (Arch Dis Child Fetal Neonatal Ed 2020;105:375). One arm-leg gap of 20 mm Hg in 8
of 100 healthy newborns: Crossland 2004. Screen: a hand and foot more than 3 apart (Kemper 2011). Vacuum: a chignon is
gone within 18 hours, and bleeding under the scalp is at first taken for a caput (hospital guidelines of S84)."""

from __future__ import annotations

from scenes import missed, pressure, read, said, saturations

from adapter.exam import Finding
from rule_cases.words import RATE_60, RATE_61, REFILL_3, REFILL_LONG, Cases, case, saturation

MURMUR = said("murmur", "soft_systolic_after_24h")
CAPUT = said("scalp_swelling", "caput_crosses_sutures")
BOGGY = said("scalp_swelling", "boggy_shifting_crosses_sutures")
CHIGNON = said("scalp_swelling", "vacuum_chignon")
PLETHORA = said("skin_colour", "plethora")


def femoral(answer: str, side: str = "right") -> Finding:
    return said("femoral_pulse", answer, side=side)


def brachial(answer: str, side: str = "right") -> Finding:
    return said("brachial_pulse", answer, side=side)


GAP = (pressure("right_arm", 72, 40), pressure("left_leg", 52, 30))

CASES: Cases = {
    "duct_dependent_circulation": (
        [
            case(femoral("weak", "left"), REFILL_LONG),
            case(*GAP, said("cchd_screen", "fail")),
            case(*GAP, femoral("hard_to_feel")),
            case(said("brachial_femoral_comparison", "femoral_delayed"), said("cchd_screen", "fail")),
            case(saturations(96, 89), REFILL_LONG),  # the screen itself computed from its readings
        ],
        [
            case(femoral("weak", "left"), REFILL_3),
            case(femoral("weak", "left"), femoral("weak", "right")),
            case(pressure("right_arm", 71, 40), pressure("left_leg", 52, 30), said("cchd_screen", "fail")),
            case(said("cchd_screen", "repeat_in_1h"), REFILL_LONG),
            case(*GAP, REFILL_LONG),  # one gap is no sign by itself
        ],
    ),
    "weak_pulses_everywhere": (
        [case(femoral("weak"), brachial("weak")), case(femoral("hard_to_feel"), brachial("absent", "left"))],
        [case(femoral("weak"), brachial("equal_easy")), case(brachial("weak"))],
    ),
    "weak_femoral_strong_brachial": (
        [
            case(femoral("weak"), brachial("bounding", "left")),
            case(femoral("absent"), brachial("equal_easy")),
        ],
        [
            case(femoral("weak"), brachial("weak")),
            case(femoral("weak"), missed("brachial_pulse", side="right")),
            case(femoral("equal_easy"), brachial("bounding", "left")),
            case(femoral("hard_to_feel"), brachial("equal_easy")),  # tried again and told, not now
        ],
    ),
    "arm_leg_pressure_gap": (
        [case(pressure("right_arm", 72, 40), pressure("right_leg", 52, 30))],
        [
            case(pressure("right_arm", 71, 40), pressure("right_leg", 52, 30)),  # 19
            case(pressure("right_leg", 72, 40), pressure("right_arm", 52, 30)),  # the other way round
            case(pressure("right_arm", 72, 40), pressure("left_arm", 52, 30)),
        ],
    ),
    "hand_foot_saturation_gap": (
        [
            case(saturation("right_hand", "99"), saturation("left_foot", "95")),
            case(saturation("right_hand", "95"), saturation("left_foot", "99")),
        ],
        [
            case(saturation("right_hand", "99"), saturation("left_foot", "96")),  # 3 is not more than 3
            case(saturation("right_foot", "99"), saturation("left_foot", "95")),
            case(saturation("right_hand", "99")),
        ],
    ),
    "hand_foot_saturation_gap_wide": (
        [
            case(saturation("right_hand", "100"), saturation("left_foot", "90")),
            case(saturation("right_hand", "90"), saturation("left_foot", "100")),
            case(saturation("right_hand", "96"), saturation("right_foot", "89")),
        ],
        [
            case(saturation("right_hand", "99"), saturation("left_foot", "90")),  # 9, and not under 90
            case(saturation("right_hand", "91"), saturation("left_foot", "89")),
        ],
    ),
    # Common practice: what a spot reading would be told for is told of a screen's reading too.
    "low_screen_reading_without_result": (
        [
            case(saturations(92, 92, "4"), hours="4"),
            case(saturations(94, None, "25"), hours="25"),
            case(saturations(None, 94, "25"), hours="25"),
            case(saturations(93, 96, "25"), read("inspired_oxygen", "30", "%"), hours="25"),
        ],
        [
            case(saturations(95, 95, "4"), hours="4"),
            case(saturations(92, 92, "2.9"), hours="4"),  # transition
            case(saturations(93, 93, "25"), hours="25"),  # its result says when it is repeated
            case(saturations(89, 92, "4"), hours="4"),  # failed at any age
        ],
    ),
    "murmur_with_colour_or_pulses": (
        [
            case(said("murmur", "soft_systolic_first_24h_well"), said("skin_colour", "central_cyanosis")),
            case(said("murmur", "loud_or_thrill"), femoral("weak", "left")),
            case(MURMUR, saturation("left_foot", "93"), read("respiratory_rate", "66", "/min")),
            case(MURMUR, said("brachial_femoral_comparison", "femoral_weaker")),
            case(MURMUR, RATE_61),
            case(MURMUR, said("feeding_quality", "poor")),
            case(MURMUR, said("abdomen_palpation", "liver_over_3_cm")),
            case(MURMUR, saturations(96, 89)),
        ],
        [
            case(said("murmur", "none_heard"), said("skin_colour", "central_cyanosis")),
            case(said("murmur", "loud_or_thrill"), said("skin_colour", "acrocyanosis")),
            case(missed("murmur"), said("skin_colour", "central_cyanosis")),
            case(MURMUR, RATE_60, saturation("left_foot", "95")),
        ],
    ),
    "long_refill_with_mottling": (
        [case(REFILL_LONG, said("peripheral_perfusion", "mottled_when_warm"))],
        [
            case(REFILL_3, said("peripheral_perfusion", "mottled_when_warm")),
            case(REFILL_LONG, said("peripheral_perfusion", "mottled_when_cold")),
        ],
    ),
    "blue_limbs_or_lips_after_48h": (
        [case(said("skin_colour", "acrocyanosis"), hours="48")],
        [
            case(said("skin_colour", "blue_around_mouth_tongue_pink"), hours="47.9"),
            case(said("skin_colour", "harlequin_change"), hours="60"),
        ],
    ),
    "bleeding_under_scalp": (
        [
            case(BOGGY, said("birth_marks_of_delivery", "vacuum_ring", site="scalp_vertex")),
            case(BOGGY, said("birth_events", "vacuum")),
            case(BOGGY, read("heart_rate", "161", "/min")),
            case(BOGGY, said("skin_colour", "pale")),
            case(CAPUT, read("heart_rate", "161", "/min")),
            case(CHIGNON, said("oral_mucosa", "pale")),
            case(said("scalp_swelling", "cephalohaematoma_within_suture"), said("skin_colour", "pale")),
            case(CAPUT, said("birth_marks_of_delivery", "swelling_growing", site="scalp")),
        ],
        [
            case(BOGGY, read("heart_rate", "160", "/min")),
            case(CAPUT, read("heart_rate", "188", "/min", state="crying")),
            case(CHIGNON, said("birth_marks_of_delivery", "vacuum_ring", site="scalp_vertex")),
            case(said("skin_colour", "pale"), read("heart_rate", "188", "/min")),
        ],
    ),
    "vacuum_swelling_stays": (
        [case(CHIGNON, hours="24")],
        [case(CHIGNON, hours="23.9"), case(CAPUT, hours="24")],
    ),
    "thick_blood": (
        [
            case(PLETHORA, said("movements", "jittery_stops_when_held")),
            case(PLETHORA, RATE_61),
            case(PLETHORA, read("glucose", "44", "mg/dL")),
        ],
        [case(PLETHORA, RATE_60), case(said("skin_colour", "ruddy_when_crying"), RATE_61)],
    ),
}
