"""Brain, cord, birth injury, bilirubin, glucose and medicines.

Cooling is decided before 6 hours (Canadian Paediatric Society 2018; criteria table in Ital J Pediatr 2015). Jitter
stops when the limb is held (a family medicine text); glucose lines: Adamkin 2011. Jaundice: NICE CG98 (before 24
hours within 2 hours, later within 6), risks: US guidelines of 2004 and 2022."""

from __future__ import annotations

from scenes import missed, read, said, scored

from adapter.exam import Finding
from rule_cases.words import (
    BLOOD_BILIRUBIN,
    FEEDS_POORLY,
    JITTERY,
    LETHARGIC,
    RATE_60,
    RATE_61,
    SKIN_BILIRUBIN,
    YELLOW,
    YELLOW_EYE,
    Cases,
    axilla,
    case,
)

CLAVICLE = said("clavicle", "crepitus", side="right")
ARM = said("arm_movement", "limp_rotated_in_grasp_present", side="right")
LAMP = said("phototherapy", "on")
APGAR_5 = scored("apgar_10_min", 5)
APGAR_6 = scored("apgar_10_min", 6)
OPIOID = said("mother_history", "opioid", method="record")
GLUCOSE_44 = read("glucose", "44", "mg/dL")
GLUCOSE_45 = read("glucose", "45", "mg/dL")


def withdrawal(*answers: str) -> list[Finding]:
    return [said("withdrawal_signs", answer) for answer in answers]


CASES: Cases = {
    "encephalopathy_window": (
        [
            case(APGAR_5, said("muscle_tone", "low"), hours="1"),
            case(scored("apgar_10_min", 3), said("suck", "weak"), hours="5.99"),
            case(said("birth_events", "cord_acidosis", method="record"), LETHARGIC, hours="2"),
            case(said("suck", "weak"), hours="5.9", before={"0.5": [APGAR_5]}),
            case(APGAR_5, hours="5.9", before={"2": [said("suck", "weak")]}),  # the score came late
        ],
        [
            case(said("suck", "weak"), hours="6", before={"0.5": [APGAR_5]}),
            case(APGAR_5, said("muscle_tone", "low"), hours="6"),
            case(APGAR_6, said("muscle_tone", "low"), hours="1"),
            case(APGAR_5, said("muscle_tone", "flexor_tone_normal"), hours="1"),
        ],
    ),
    "hard_birth_in_cooling_window": (
        [
            case(APGAR_5, hours="1"),
            case(said("birth_events", "ventilation_at_10_minutes", method="record"), hours="3"),
        ],
        [
            case(APGAR_6, hours="1"),
            case(APGAR_5, hours="6"),
            case(said("birth_events", "help_with_first_breaths", method="record"), hours="1"),
        ],
    ),
    "birth_injury_one_side": (
        [
            case(CLAVICLE, ARM),
            case(ARM, said("moro", "one_arm_absent", side="right")),
            case(ARM, said("palmar_grasp", "absent", side="right")),
            case(ARM, said("eyelids", "droop", side="right")),
        ],
        [
            case(CLAVICLE, said("arm_movement", "reduced", side="left")),  # on two sides
            case(CLAVICLE, said("moro", "incomplete_preterm", side="right")),
            case(CLAVICLE),
        ],
    ),
    "birth_injury_with_fast_breathing": (
        [case(CLAVICLE, ARM, RATE_61)],
        [case(CLAVICLE, ARM, RATE_60), case(CLAVICLE, said("arm_movement", "reduced", side="left"), RATE_61)],
    ),
    "limbs_limp_on_both_sides": (
        [
            case(ARM, said("arm_movement", "limp_no_grasp", side="left")),
            case(said("leg_movement", "reduced", side="left"), said("leg_movement", "none", side="right")),
        ],
        [
            case(ARM),
            case(ARM, said("leg_movement", "reduced", side="left")),
            case(ARM, said("arm_movement", "full_spontaneous", side="left")),
        ],
    ),
    "jaundice_first_24h": (
        [
            case(YELLOW, hours="23.99"),
            case(said("jaundice", "to_palms_or_soles"), hours="10"),
            case(YELLOW_EYE, hours="10"),
        ],
        [
            case(YELLOW, hours="24"),
            case(YELLOW_EYE, hours="24"),
            case(said("jaundice", "none_seen"), hours="10"),
            case(missed("jaundice"), hours="10"),
        ],
    ),
    "jaundice_not_measured": (
        [
            case(YELLOW, hours="24"),
            case(YELLOW_EYE, hours="40"),
            case(YELLOW, hours="40", before={"33.9": [BLOOD_BILIRUBIN]}),
            case(YELLOW, missed("serum_bilirubin"), hours="40"),
        ],
        [
            case(YELLOW, SKIN_BILIRUBIN, hours="40"),
            case(YELLOW, BLOOD_BILIRUBIN, hours="40"),
            case(said("jaundice", "none_seen"), hours="40"),
            case(YELLOW, hours="40", before={"34": [BLOOD_BILIRUBIN]}),  # within 6 hours
        ],
    ),
    "skin_bilirubin_needs_blood": (
        [
            case(SKIN_BILIRUBIN, hours="23.9"),
            case(SKIN_BILIRUBIN, weeks=34, days=6),
            case(SKIN_BILIRUBIN, LAMP),
            case(SKIN_BILIRUBIN, hours="60", before={"40": [LAMP]}),
            case(SKIN_BILIRUBIN, hours="20", before={"13.9": [BLOOD_BILIRUBIN]}),
        ],
        [
            case(SKIN_BILIRUBIN, hours="24"),
            case(SKIN_BILIRUBIN, BLOOD_BILIRUBIN, hours="10"),
            case(BLOOD_BILIRUBIN, hours="10"),
            case(SKIN_BILIRUBIN, said("phototherapy", "not_given")),
            case(SKIN_BILIRUBIN, said("phototherapy", "ended"), hours="60", before={"40": [LAMP]}),
            case(SKIN_BILIRUBIN, hours="20", before={"14": [BLOOD_BILIRUBIN]}),
        ],
    ),
    # NICE CG98: still yellow at 14 days, at 21 days if born before 37 weeks.
    "jaundice_prolonged": (
        [case(YELLOW, hours="336"), case(YELLOW, hours="504", weeks=36), case(YELLOW, hours="504", weeks=None)],
        [case(YELLOW, hours="335"), case(YELLOW, hours="503", weeks=36), case(YELLOW, hours="340", weeks=None)],
    ),
    "jaundice_with_lethargy_or_poor_feeding": (
        [case(YELLOW, LETHARGIC), case(YELLOW, FEEDS_POORLY), case(YELLOW_EYE, LETHARGIC)],
        [
            case(YELLOW, said("alertness", "sleepy_but_rousable_after_feed")),
            case(said("jaundice", "none_seen"), FEEDS_POORLY),
        ],
    ),
    "bilirubin_encephalopathy_signs": (
        [
            case(said("jaundice", "to_belly_or_legs"), said("muscle_tone", "high"), said("cry", "high_pitched")),
            case(YELLOW_EYE, said("eye_movement", "sunset", side="left")),
            case(YELLOW, said("muscle_tone", "low")),
        ],
        [
            case(YELLOW, said("cry", "hoarse")),
            case(said("jaundice", "none_seen"), said("muscle_tone", "high")),
            case(YELLOW, said("movements", "jittery_stops_when_held")),
        ],
    ),
    "jaundice_with_positive_antiglobulin": (
        [
            case(YELLOW, said("direct_antiglobulin", "positive")),
            case(YELLOW_EYE, said("direct_antiglobulin", "positive")),
        ],
        [
            case(YELLOW, said("direct_antiglobulin", "unclear")),
            case(YELLOW, said("direct_antiglobulin", "negative")),
            case(said("jaundice", "none_seen"), said("direct_antiglobulin", "positive")),
        ],
    ),
    "bleeding_without_vitamin_k": (
        [
            case(said("umbilical_stump", "bleeding"), said("vitamin_k", "declined")),
            case(said("abnormal_skin_findings", "purpura"), said("vitamin_k", "not_given")),
        ],
        [
            case(said("umbilical_stump", "bleeding"), said("vitamin_k", "given_by_injection")),
            case(said("umbilical_stump", "bleeding")),
            case(said("umbilical_stump", "few_spots_of_blood"), said("vitamin_k", "declined")),
            case(  # not yet in the delivery room, and given on the ward
                said("umbilical_stump", "bleeding"),
                hours="60",
                before={"0.5": [said("vitamin_k", "not_given")], "2": [said("vitamin_k", "given_by_injection")]},
            ),
        ],
    ),
    "jaundice_with_risk": (
        [
            case(YELLOW, weeks=37, days=6),
            case(YELLOW, said("scalp_swelling", "cephalohaematoma_within_suture")),
            case(YELLOW_EYE, said("family_history", "jaundice_treated", method="told")),
        ],
        [
            case(YELLOW, weeks=38, days=0),
            case(YELLOW, said("scalp_swelling", "caput_crosses_sutures")),
            case(said("jaundice", "none_seen"), weeks=36, days=0),
            case(YELLOW, weeks=None),
        ],
    ),
    "glucose_low_with_signs": (
        [
            case(GLUCOSE_44, JITTERY),
            case(read("glucose", "38", "mg/dL"), JITTERY, hours="6"),
            case(read("glucose", "2.4", "mmol/L"), LETHARGIC),
            case(GLUCOSE_44, said("cry", "high_pitched")),
            case(GLUCOSE_44, axilla("36.4")),
        ],
        [
            case(GLUCOSE_45, JITTERY),
            case(read("glucose", "2.5", "mmol/L"), LETHARGIC),
            case(GLUCOSE_44, said("movements", "startles")),
            case(GLUCOSE_44, axilla("36.5")),
        ],
    ),
    "jittery_at_risk_of_low_glucose": (
        [
            case(JITTERY, read("birth_weight", "2499", "g")),
            case(JITTERY, read("birth_weight", "4501", "g")),
            case(JITTERY, read("birth_weight", "4001", "g")),  # without a growth reference
            case(JITTERY, weeks=36, days=6),
            case(JITTERY, said("mother_history", "diabetes", method="record")),
            case(said("movements", "jittery_persistent"), weeks=36, days=6),
            case(JITTERY, hours="20", before={"1": [read("birth_weight", "2499", "g")]}),
            case(JITTERY, hours="20", before={"1": [said("size_for_gestation", "small")]}),
        ],
        [
            case(JITTERY, read("birth_weight", "2500", "g")),
            case(
                JITTERY,
                read("birth_weight", "4001", "g"),
                hours="20",
                before={"1": [said("size_for_gestation", "appropriate")]},
            ),
            case(JITTERY, read("birth_weight", "4000", "g")),
            case(JITTERY, weeks=37, days=0),
            case(said("movements", "startles"), weeks=36, days=6),
            case(JITTERY, said("mother_history", "thyroid_disease", method="record")),
        ],
    ),
    "glucose_due": (
        [
            case(read("birth_weight", "2499", "g"), hours="4"),
            case(read("birth_weight", "4100", "g"), hours="11.9"),
            case(said("mother_history", "beta_blocker", method="record"), hours="5"),
            case(hours="5", before={"1": [read("birth_weight", "2499", "g")]}),
            case(hours="8", before={"2": [read("birth_weight", "2499", "g"), read("glucose", "60", "mg/dL")]}),
        ],
        [
            case(read("birth_weight", "2499", "g"), hours="3.9"),
            case(read("birth_weight", "2499", "g"), hours="12"),
            case(read("birth_weight", "2499", "g"), read("glucose", "60", "mg/dL"), hours="5"),
            case(read("birth_weight", "3000", "g"), hours="5"),
            case(read("birth_weight", "2499", "g"), hours="8", before={"4": [read("glucose", "60", "mg/dL")]}),
        ],
    ),
    "glucose_under_50_to_48h": (
        [case(read("glucose", "49", "mg/dL"), hours="47"), case(read("glucose", "59", "mg/dL"), hours="48")],
        [case(read("glucose", "50", "mg/dL"), hours="47"), case(read("glucose", "60", "mg/dL"), hours="48")],
    ),
    "withdrawal_signs_with_exposure": (
        [case(OPIOID, *withdrawal("sweating")), case(OPIOID, JITTERY)],
        [
            case(OPIOID, *withdrawal("none_seen")),
            case(*withdrawal("sweating")),
            case(said("mother_history", "thyroid_disease", method="record"), JITTERY),
        ],
    ),
    "withdrawal_signs_several": (
        [
            case(OPIOID, *withdrawal("sweating", "sleeps_little", "frantic_sucking")),
            case(OPIOID, JITTERY, *withdrawal("sweating"), FEEDS_POORLY),
        ],
        [
            case(OPIOID, *withdrawal("sweating", "sleeps_little")),
            case(*withdrawal("sweating", "sleeps_little", "frantic_sucking")),
            # two names of one sign are one sign
            case(OPIOID, JITTERY, *withdrawal("tremor_undisturbed", "sweating")),
        ],
    ),
    "spine_mark_with_weak_legs_or_stream": (
        [
            case(
                said("spine_midline_skin", "hair_tuft", site="lower_back"),
                said("leg_movement", "reduced", side="left"),
            ),
            case(
                said("spine_midline_skin", "atypical_dimple", site="lower_back"),
                said("urine_character", "weak_stream"),
            ),
        ],
        [
            case(
                said("spine_midline_skin", "simple_dimple", site="lower_back"),
                said("leg_movement", "reduced", side="left"),
            ),
            case(
                said("spine_midline_skin", "hair_tuft", site="lower_back"),
                said("leg_movement", "extended_after_breech", side="left"),
            ),
        ],
    ),
    "reflexes_weak_together": (
        [
            case(said("stepping", "absent"), said("galant", "absent", side="left"), said("suck", "weak")),
            case(said("rooting", "absent", side="left"), said("moro", "absent_both"), said("muscle_tone", "low")),
        ],
        [
            case(said("stepping", "absent"), said("galant", "absent", side="left")),
            case(
                said("galant", "absent", side="left"),
                said("galant", "absent", side="right"),
                said("stepping", "absent"),
            ),
        ],
    ),
}
