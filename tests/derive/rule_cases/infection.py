"""Infection. NICE NG195, boxes 1 and 2: one red flag, two indicators, or an indicator and a risk call for action; in
the first 72 hours the risks of mother and birth count. Danger signs of the cord: Uganda guidelines and MSF."""

from __future__ import annotations

from scenes import missed, read, said

from rule_cases.words import (
    FEEDS_POORLY,
    GRUNT,
    LETHARGIC,
    RATE_60,
    RATE_61,
    REFILL_LONG,
    RETRACTIONS,
    Cases,
    axilla,
    case,
    saturation,
)

COLONISED = said("infection_risks", "group_b_streptococcus", method="record")
LONG_RUPTURE = said("infection_risks", "membranes_over_18h", method="record")
SMELLY_CORD = said("umbilical_stump", "moist_smelly")

CASES: Cases = {
    "infection_red_flag": (
        [
            case(said("respiratory_pattern", "apnoea_20s_or_with_colour_or_rate_change")),
            case(said("movements", "suspected_seizure")),
            case(REFILL_LONG, said("peripheral_perfusion", "grey_cold")),
            case(said("respiratory_support", "ventilator")),
            case(said("infection_risks", "infected_twin", method="told"), hours="71.9"),
        ],
        [
            case(said("respiratory_pattern", "periodic_pauses_under_10s_no_change")),
            case(REFILL_LONG, said("peripheral_perfusion", "cool_hands_and_feet")),
            case(said("respiratory_support", "low_flow_oxygen")),
            case(said("infection_risks", "infected_twin", method="told"), hours="72"),
        ],
    ),
    "infection_or_low_glucose": (
        [
            case(LETHARGIC, FEEDS_POORLY),
            case(axilla("36.4"), said("skin_colour", "pale")),
            case(said("infant_state", "not_rousable"), axilla("37.6")),
            # low tone, weak suck and weak cry
            case(said("muscle_tone", "low"), said("suck", "weak"), said("cry", "weak"), hours="3"),
            case(said("vomiting", "repeated_milk"), read("heart_rate", "175", "/min")),
            case(GRUNT, saturation("right_hand", "94")),
            case(said("jaundice", "face_or_chest_after_24h"), RATE_61, hours="20"),
            case(said("umbilical_stump", "bleeding"), said("cry", "high_pitched")),
            case(read("glucose", "44", "mg/dL"), RETRACTIONS),
            case(said("anterior_fontanelle_tension", "bulging_at_rest"), said("posture", "frog_leg")),
        ],
        [
            case(LETHARGIC, said("feeding_quality", "learning")),
            case(axilla("36.5"), said("skin_colour", "pale")),
            case(axilla("36.4"), said("skin_colour", "pale"), hours="7.9"),  # often the room, in the first 8 hours
            # two names of one and the same sign are one sign
            case(LETHARGIC, said("infant_state", "not_rousable")),
            case(GRUNT, RETRACTIONS, RATE_61),
            case(said("skin_colour", "pale"), said("peripheral_perfusion", "mottled_when_warm")),
            case(RATE_60, read("heart_rate", "160", "/min"), saturation("right_hand", "95"), axilla("37.5")),
        ],
    ),
    "infection_risk_with_one_sign": (
        [
            case(COLONISED, RATE_61),
            case(LONG_RUPTURE, axilla("37.6"), weeks=36, days=6),
            case(said("infection_risks", "membranes_over_24h", method="record"), LETHARGIC),
        ],
        [
            case(COLONISED, RATE_60),
            case(COLONISED, RATE_61, hours="72"),
            case(LONG_RUPTURE, axilla("37.6"), weeks=37, days=0),
            case(said("infection_risks", "antibiotic_over_4h_before_birth", method="record"), RATE_61),
            case(missed("infection_risks", "parent_absent"), RATE_61),
        ],
    ),
    "infection_risks_two": (
        [
            case(COLONISED, said("infection_risks", "fever_in_labour", method="record")),
            case(LONG_RUPTURE, said("infection_risks", "preterm_labour", method="record"), weeks=34, days=0),
        ],
        [
            case(COLONISED),
            case(COLONISED, said("infection_risks", "earlier_infant_group_b_streptococcus", method="told")),
            case(COLONISED, LONG_RUPTURE),  # 18 hours count before 37 weeks
            case(COLONISED, said("infection_risks", "fever_in_labour", method="record"), hours="72"),
        ],
    ),
    # Altered responsiveness (box 2); a sleeping infant who rouses is another matter (common practice).
    "too_unwell_to_examine": (
        [case(missed("rooting", "too_drowsy", side="left")), case(missed("weight", "too_unwell"))],
        [case(missed("rooting", "asleep", side="left")), case(missed("weight", "crying"))],
    ),
    "asleep_or_too_drowsy": (
        [case(missed("feeding_quality", "asleep_or_too_drowsy"))],
        [case(missed("feeding_quality", "asleep"))],
    ),
    "cord_infection_with_illness": (
        [case(SMELLY_CORD, axilla("38.0")), case(said("umbilical_stump", "skin_redness_small"), FEEDS_POORLY)],
        [case(SMELLY_CORD, axilla("37.5")), case(said("umbilical_stump", "meconium_stained"), axilla("38.0"))],
    ),
}
