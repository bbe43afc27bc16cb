"""Form: genitals, hips, spine, head, ears and what goes together.

Both testes: NIPE handbook. Virilisation: Society for Endocrinology UK 2021. Hips: NIPE, AAP 2016. Dimples: Kriss
1998. Hearing: Joint Committee on Infant Hearing. Malformations that go together: PMC3726359."""

from __future__ import annotations

from scenes import missed, read, said

from adapter.exam import Finding, Sex
from rule_cases.words import DIMPLE, Cases, case

HEAD_35 = read("head_circumference", "35.0", "cm")


def gonad(answer: str, side: str = "left") -> Finding:
    return said("testis", answer, side=side)


def mark(answer: str) -> Finding:
    return said("spine_midline_skin", answer, site="lower_back")


HEPATITIS_B = said("mother_history", "hepatitis_b")

CASES: Cases = {
    "genitalia_to_be_seen": (
        [
            case(gonad("not_felt"), said("penis_meatus", "hypospadias")),
            case(gonad("not_felt"), read("stretched_penile_length", "2.4", "cm")),
            case(gonad("in_groin"), said("penis_meatus", "looks_small")),
            case(said("penis_meatus", "hypospadias"), said("scrotum", "split", side="left")),
            case(said("labia_clitoris", "clitoris_large"), said("labia_clitoris", "fused_labia"), sex=Sex.FEMALE),
        ],
        [
            case(gonad("high_can_be_drawn_down"), said("penis_meatus", "hypospadias")),
            case(gonad("not_felt"), read("stretched_penile_length", "2.5", "cm")),
            case(missed("testis", side="left"), said("penis_meatus", "hypospadias")),
            case(said("penis_meatus", "hypospadias")),
            case(said("labia_clitoris", "clitoris_large"), sex=Sex.FEMALE),
        ],
    ),
    "testes_not_felt_on_both_sides": (
        [case(gonad("not_felt"), gonad("not_felt", "right"))],
        [
            case(gonad("not_felt")),
            case(gonad("not_felt"), gonad("in_groin", "right")),
            case(gonad("not_felt"), missed("testis", side="right")),
        ],
    ),
    "testes_undescended_on_both_sides": (
        [
            case(gonad("in_groin"), gonad("in_groin", "right")),
            case(gonad("not_felt"), gonad("in_groin", "right")),
        ],
        [case(gonad("in_groin")), case(gonad("in_groin"), gonad("high_can_be_drawn_down", "right"))],
    ),
    "small_penis_with_low_glucose": (
        [case(said("penis_meatus", "looks_small"), read("glucose", "44", "mg/dL"))],
        [
            case(said("penis_meatus", "looks_small"), read("glucose", "45", "mg/dL")),
            case(said("penis_meatus", "bent"), read("glucose", "44", "mg/dL")),
        ],
    ),
    "several_malformations": (
        [
            case(said("umbilical_vessels", "one_artery_one_vein"), said("anus", "forward_placed")),
            case(said("penis_meatus", "hypospadias"), read("finger_count", "4", "{count}", side="left")),
        ],
        [
            case(said("umbilical_vessels", "one_artery_one_vein")),
            case(said("umbilical_vessels", "one_artery_one_vein"), said("murmur", "soft_systolic_after_24h")),
            case(said("anus", "forward_placed"), read("finger_count", "5", "{count}", side="left")),
        ],
    ),
    "neck_skin_with_swollen_hands_or_feet": (
        [case(said("neck_form", "webbed", site="neck_side"), said("oedema", "dorsum_hands_or_feet", site="foot"))],
        [
            case(said("neck_form", "webbed", site="neck_side"), said("oedema", "eyelids_or_presenting_part")),
            case(said("oedema", "dorsum_hands_or_feet", site="foot")),
        ],
    ),
    "hearing_path": (
        [
            case(said("ear_form", "small_remnant", side="left")),
            case(said("ear_canal", "no_opening", side="left")),
            case(said("family_history", "hearing", method="told")),
        ],
        [
            case(said("preauricular", "single_tag", side="left"), said("preauricular", "single_pit", side="right")),
            case(said("ear_form", "folded_by_pressure", side="left")),
            case(missed("ear_canal", "no_longer_visible", side="left")),
        ],
    ),
    "family_history_to_act_on": (
        [case(said("family_history", "eyes", method="told")), case(said("family_history", "heart", method="record"))],
        [
            case(said("family_history", "none_known", method="told")),
            case(said("family_history", "hips", method="told")),
        ],
    ),
    "hip_scan": (
        [
            case(said("ortolani", "positive_clunk", side="left")),
            case(said("hip_risk_factors", "breech_at_or_after_36_weeks")),
            case(said("hip_abduction", "limited", side="left")),
            case(said("family_history", "hips", method="told")),
        ],
        [case(said("ortolani", "soft_click_stable", side="left"), said("barlow", "soft_click_stable", side="left"))],
    ),
    "uneven_folds_with_hip_sign": (
        [
            case(said("thigh_gluteal_folds", "uneven_alone"), said("hip_abduction", "limited", side="left")),
            case(said("thigh_gluteal_folds", "uneven_alone"), said("leg_symmetry", "unequal")),
        ],
        [
            case(said("thigh_gluteal_folds", "uneven_alone"), said("hip_abduction", "full_equal", side="left")),
            case(said("thigh_gluteal_folds", "symmetrical"), said("hip_abduction", "limited", side="left")),
        ],
    ),
    "dimple_with_another_mark": (
        [
            case(DIMPLE, mark("hair_tuft")),
            case(mark("simple_dimple"), mark("hair_tuft")),  # with another mark it is atypical by definition
            case(mark("fatty_lump"), mark("haemangioma")),
            case(read("sacral_dimple_diameter", "5.1", "mm"), mark("hair_tuft")),
            case(read("sacral_dimple_anus_distance", "25.1", "mm"), mark("tag_or_tail")),
        ],
        [
            case(DIMPLE, mark("dermal_melanocytosis")),
            case(read("sacral_dimple_diameter", "5", "mm"), mark("hair_tuft")),
            case(read("sacral_dimple_anus_distance", "25", "mm"), mark("hair_tuft")),
            case(DIMPLE),
        ],
    ),
    "small_fontanelle_with_ridge": (
        [
            case(
                read("anterior_fontanelle_size", "0.5", "cm"),
                said("sutures", "ridged_immobile", site="sagittal_suture"),
            )
        ],
        [
            case(
                read("anterior_fontanelle_size", "0.6", "cm"),
                said("sutures", "ridged_immobile", site="sagittal_suture"),
            ),
            case(
                read("anterior_fontanelle_size", "0.5", "cm"), said("sutures", "overlapping", site="sagittal_suture")
            ),
        ],
    ),
    "port_wine_stain_near_the_eye": (
        [case(said("abnormal_skin_findings", "port_wine_stain", site="eyelid", side="left"))],
        [
            case(said("abnormal_skin_findings", "port_wine_stain", site="nape")),
            case(said("abnormal_skin_findings", "haemangioma", site="eyelid", side="left")),
        ],
    ),
    "hepatitis_b_mother": (
        [
            case(said("mother_history", "hepatitis_b", method="record"), hours="2"),
            case(said("mother_history", "hepatitis_b", method="record"), hours="30"),  # late, and still not given
            case(HEPATITIS_B, said("hepatitis_b_vaccine", "not_given"), hours="2"),
            case(HEPATITIS_B, missed("hepatitis_b_vaccine"), hours="2"),
            case(HEPATITIS_B, hours="200"),
        ],
        [
            case(HEPATITIS_B, said("hepatitis_b_vaccine", "given_with_immunoglobulin"), hours="2"),
            case(HEPATITIS_B, hours="30", before={"2": [said("hepatitis_b_vaccine", "given_with_immunoglobulin")]}),
            case(said("mother_history", "syphilis", method="record"), hours="2"),
        ],
    ),
    # US panel on HIV in pregnancy: preferably within 6 hours of birth; told to 72 hours (from memory).
    "hiv_mother": (
        [
            case(said("mother_history", "hiv"), hours="2"),
            case(hours="71.9", before={"3": [said("mother_history", "hiv")]}),
        ],
        [case(said("mother_history", "hiv"), hours="72"), case(HEPATITIS_B, hours="2")],
    ),
    # After these hours (from memory) it is asked once more, at the next round.
    "hiv_mother_after_72h": (
        [
            case(said("mother_history", "hiv"), hours="72"),
            case(hours="90", before={"3": [said("mother_history", "hiv")]}),
        ],
        [case(said("mother_history", "hiv"), hours="71.9"), case(said("mother_history", "herpes"), hours="90")],
    ),
    # MSF, 10.4.1: signs are looked for in all infants of mothers with a positive test; Kimberlin 2013 on herpes.
    "infection_of_the_mother_to_look_for": (
        [case(said("mother_history", "syphilis"), hours="200"), case(said("mother_history", "herpes"), hours="2")],
        [
            case(said("mother_history", "hiv"), hours="20"),
            case(said("infection_risks", "chorioamnionitis"), hours="20"),
        ],
    ),
    # NHS handbook, heart: suspected at the antenatal scan is a risk factor.
    "heart_finding_before_birth": (
        [case(said("birth_events", "heart_scan_finding"), hours="20")],
        [case(said("birth_events", "kidney_scan_finding"), hours="20")],
    ),
    "head_much_larger_than_chest": (
        [case(HEAD_35, read("chest_circumference", "30.9", "cm"))],
        [
            case(HEAD_35, read("chest_circumference", "31.0", "cm")),
            case(HEAD_35),
            case(HEAD_35, missed("chest_circumference")),
        ],
    ),
    "chest_larger_than_head": (
        [
            case(HEAD_35, read("chest_circumference", "35.1", "cm")),
            case(HEAD_35, read("chest_circumference", "35.1", "cm"), said("head_shape", "moulded"), hours="48"),
        ],
        [
            case(HEAD_35, read("chest_circumference", "35.0", "cm")),
            case(HEAD_35, read("chest_circumference", "35.1", "cm"), said("head_shape", "moulded"), hours="47.9"),
        ],
    ),
}
