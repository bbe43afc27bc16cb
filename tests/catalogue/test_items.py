"""Every item of the whole head-to-toe examination is in the catalogue, in its region (common practice)."""

from __future__ import annotations

import pytest

from adapter.catalogue import Catalogue

ITEMS = {
    "context": "infant_state exam_conditions id_bands consent parent_concern",
    "general": "alertness movements muscle_tone posture cry dysmorphic_features birth_marks_of_delivery",
    "vital_signs": (
        "respiratory_rate respiratory_pattern heart_rate heart_rhythm temperature oxygen_saturation blood_pressure"
    ),
    "respiratory": "breath_sounds chest_movement retractions nasal_flaring grunting airway_noise secretions",
    "cardiovascular": (
        "heart_sounds murmur apex_beat brachial_pulse femoral_pulse brachial_femoral_comparison "
        "capillary_refill_time peripheral_perfusion oedema"
    ),
    "skin": (
        "skin_colour jaundice transcutaneous_bilirubin skin_texture skin_turgor vernix lanugo "
        "benign_skin_findings abnormal_skin_findings"
    ),
    "head": (
        "head_shape scalp_swelling sutures anterior_fontanelle_tension anterior_fontanelle_size "
        "posterior_fontanelle scalp_hair"
    ),
    "face": "facial_symmetry jaw",
    "eyes": "eye_spacing eyelids sclera_conjunctiva eye_discharge pupil_iris cornea red_reflex eye_movement",
    "ears": "ear_position ear_form ear_recoil preauricular ear_canal",
    "nose": "nares_patency nose_form",
    "mouth": "lips oral_mucosa palate gums_teeth tongue suck swallow",
    "neck_clavicles": "neck_form neck_movement trachea clavicle",
    "chest": "chest_shape breasts_nipples",
    "abdomen_cord": (
        "abdomen_shape abdomen_palpation bowel_sounds umbilical_vessels umbilical_stump umbilical_hernia groin"
    ),
    "upper_limbs": "arm_movement hands finger_count",
    "lower_limbs": "leg_symmetry leg_movement thigh_gluteal_folds feet toe_count sole_creases",
    "genitalia_anus": (
        "genital_type labia_clitoris vaginal_opening penis_meatus stretched_penile_length testis scrotum anus"
    ),
    "hips": "hip_risk_factors ortolani barlow hip_abduction knee_height",
    "back": (
        "spine spine_midline_skin sacral_dimple_diameter sacral_dimple_anus_distance sacral_dimple_base "
        "shoulders_scapulae"
    ),
    "reflexes": (
        "rooting palmar_grasp plantar_grasp babinski stepping tonic_neck galant head_control blink_to_light "
        "response_to_sound ankle_clonus moro"
    ),
    "measurements": "weight weight_change_percent length head_circumference chest_circumference",
    "feeding_output": (
        "feeding_method feeding_quality feeds_in_24h vomiting first_void wet_nappies_in_24h urine_character "
        "first_stool stool_character"
    ),
    "tests_screens": "glucose cchd_screen hearing_screen blood_spot pain other_findings",
}


def test_the_list_is_whole() -> None:
    assert sum(len(names.split()) for names in ITEMS.values()) == 148


@pytest.mark.parametrize("region", ITEMS)
def test_every_item_is_there(region: str, catalogue: Catalogue) -> None:
    assert set(ITEMS[region].split()) <= {item.id for item in catalogue.regions[region].items}


def test_the_exam_goes_from_least_to_most_disturbing(catalogue: Catalogue) -> None:
    """Looking and listening before touching, measuring and pricking; the startle last (common practice)."""
    order = list(catalogue.items)
    for earlier, later in (
        ("infant_state", "heart_rate"),
        ("respiratory_rate", "heart_rate"),
        ("heart_rate", "temperature"),
        ("heart_sounds", "hip_abduction"),
        ("red_reflex", "moro"),
        ("rooting", "moro"),
    ):
        assert order.index(earlier) < order.index(later), (earlier, later)


def test_every_item_can_be_understood(catalogue: Catalogue) -> None:
    for item in catalogue.items.values():
        assert item.label
        assert item.sources
        assert item.codes or list(item.codes_by.conditions()) or item.no_standard_code


def test_every_kind_of_exam_covers_something(catalogue: Catalogue) -> None:
    for kind in catalogue.kinds:
        expected = catalogue.expected(kind)
        assert expected
        assert not any(item.computed or item.type == "text" for item in expected)
    initial = {item.id for item in catalogue.expected("initial")}
    assert {"red_reflex", "femoral_pulse", "ortolani", "barlow", "palate", "anus", "heart_rate"} <= initial
