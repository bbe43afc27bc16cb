"""Breathing and airway. NICE NG195 counts grunting, recession and fast breathing as signs of respiratory distress;
Silverman and Andersen (1956) score effort without asking the rate."""

from __future__ import annotations

from scenes import missed, read, said

from rule_cases.words import (
    FLARING,
    GRUNT,
    RATE_60,
    RATE_61,
    RATE_71,
    RETRACTIONS,
    Cases,
    case,
    saturation,
)

SMALL_JAW = said("jaw", "small_receding")
CLEFT = said("palate", "cleft_soft")
STRIDOR = said("airway_noise", "stridor_crying_only")
NECK_MASS = said("neck_form", "soft_mass", site="neck_front")
TRACHEA = said("trachea", "off_midline")
HEART_RIGHT = said("heart_sounds", "loudest_on_right")
LESS_AIR = said("breath_sounds", "decreased", side="left")

CASES: Cases = {
    "breathing_distress": (
        [
            case(RATE_61, GRUNT),
            case(RATE_61, FLARING),
            case(RATE_61, RETRACTIONS),
            case(RATE_61, said("chest_movement", "lag")),
            case(RATE_61, saturation("right_hand", "94")),
            case(RATE_71, FLARING, hours="1"),
            # two signs of effort with a rate in range: a tiring infant slows down
            case(RATE_60, GRUNT, FLARING),
            case(RETRACTIONS, FLARING),
            case(missed("respiratory_rate"), RETRACTIONS, said("chest_movement", "see_saw")),
        ],
        [
            case(RATE_60, said("grunting", "audible_unaided")),
            case(RATE_61, said("grunting", "absent")),
            case(RATE_61, said("retractions", "mild_subcostal_when_crying", site="subcostal")),
            case(missed("respiratory_rate"), said("grunting", "audible_unaided")),
            case(RATE_61, FLARING, hours="1.99"),  # transition
            case(RATE_61, saturation("right_hand", "95")),
            case(RATE_61, saturation("right_hand", "92"), hours="2"),  # transition
            # one sign at two places is one sign
            case(RETRACTIONS, said("retractions", "mild_at_rest", site="xiphoid")),
        ],
    ),
    "persistent_grunting": (
        [case(GRUNT, hours="2"), case(said("grunting", "audible_unaided"), hours="30")],
        [case(GRUNT, hours="1.99"), case(said("grunting", "first_minutes_after_birth"), hours="0.9")],
    ),
    "noisy_airway_with_effort": (
        [
            case(STRIDOR, RETRACTIONS),
            case(said("airway_noise", "snoring_or_blocked_at_rest"), SMALL_JAW),
            case(STRIDOR, saturation("right_hand", "94")),
        ],
        [
            case(STRIDOR, said("jaw", "slightly_small")),
            case(said("airway_noise", "nasal_snuffle"), RETRACTIONS),
            case(RETRACTIONS, SMALL_JAW),
        ],
    ),
    "nose_blocked_both_sides": (
        [
            case(
                said("nares_patency", "one_side_blocked", side="left"),
                said("nares_patency", "one_side_blocked", side="right"),
            ),
            case(
                said("nares_patency", "one_side_blocked", side="left"),
                said("nares_patency", "both_sides_blocked", side="right"),
            ),
        ],
        [
            case(said("nares_patency", "one_side_blocked", side="left")),
            case(
                said("nares_patency", "one_side_blocked", side="left"),
                said("nares_patency", "mucus_clears", side="right"),
            ),
            case(said("nares_patency", "one_side_blocked", side="left"), missed("nares_patency", side="right")),
        ],
    ),
    "trachea_off_with_distress": (
        [
            case(TRACHEA, RATE_61),
            case(TRACHEA, LESS_AIR),
            case(TRACHEA, saturation("right_hand", "94")),
            case(TRACHEA, said("abdomen_shape", "scaphoid")),
        ],
        [case(TRACHEA, RATE_60), case(TRACHEA), case(said("trachea", "midline"), LESS_AIR)],
    ),
    "heart_shifted_with_chest_signs": (
        [case(HEART_RIGHT, LESS_AIR), case(said("apex_beat", "displaced"), RATE_61), case(HEART_RIGHT, GRUNT)],
        [case(HEART_RIGHT, RATE_60), case(said("heart_sounds", "split_second_sound"), LESS_AIR), case(HEART_RIGHT)],
    ),
    "neck_mass_with_airway_signs": (
        [case(NECK_MASS, STRIDOR), case(NECK_MASS, said("feeding_quality", "poor"))],
        [
            case(NECK_MASS, said("airway_noise", "nasal_snuffle")),
            case(said("neck_form", "muscle_lump", site="neck_side"), STRIDOR),
        ],
    ),
    "small_jaw_with_cleft": (
        [case(SMALL_JAW, CLEFT)],
        [case(SMALL_JAW, said("palate", "high_arch")), case(said("jaw", "in_line"), CLEFT)],
    ),
    "small_jaw_with_cleft_and_noise": (
        [
            case(SMALL_JAW, CLEFT, said("airway_noise", "stridor_at_rest")),
            case(said("jaw", "small_with_obstructed_breathing"), CLEFT),
            case(SMALL_JAW, CLEFT, RETRACTIONS),
            case(SMALL_JAW, CLEFT, said("swallow", "chokes_or_blue_with_feed")),
        ],
        [
            case(SMALL_JAW, CLEFT, said("airway_noise", "nasal_snuffle")),
            case(SMALL_JAW, CLEFT, read("respiratory_rate", "80", "/min")),
        ],
    ),
}
