"""Feeding, gut, urine and weight. Green vomit: Am Fam Physician 2000;61:2791. First urine and stool: Pediatrics in
Review 15:319. Weight: more than 10 % (NICE NG75)."""

from __future__ import annotations

from scenes import came, missed, read, said

from adapter.exam import Sex
from rule_cases.words import FEEDS_POORLY, LETHARGIC, YELLOW, YELLOW_EYE, Cases, axilla, case, lost

WORRIED = said("parent_concern", "feeding_concern", method="told")
FULL = said("abdomen_shape", "full_but_soft")

CASES: Cases = {
    "stop_feeds": (
        [
            case(said("secretions", "copious_frothy")),
            case(said("swallow", "chokes_or_blue_with_feed")),
            case(said("swallow", "drools")),
        ],
        [case(said("secretions", "mucousy_first_day"), said("swallow", "small_splutter"))],
    ),
    "mucus_after_first_day": (
        [case(said("secretions", "mucousy_first_day"), hours="24")],
        [case(said("secretions", "mucousy_first_day"), hours="23.9"), case(said("secretions", "small_clear"))],
    ),
    "gut_obstruction": (
        [
            case(said("vomiting", "bile_green"), FULL),
            case(said("vomiting", "repeated_milk"), FULL),
            case(said("bowel_sounds", "absent"), said("vomiting", "forceful")),
            case(said("anus", "forward_placed"), FULL),
            case(said("abdomen_shape", "distended_tense"), said("first_stool", "not_yet"), hours="48"),
        ],
        [
            case(said("abdomen_shape", "distended_tense"), said("first_stool", "not_yet"), hours="47.9"),
            case(said("vomiting", "bile_green"), said("abdomen_shape", "rounded")),
            case(said("vomiting", "small_milk_spit"), FULL),
            case(said("vomiting", "bile_green"), came("first_stool", "20")),
        ],
    ),
    "no_stool_by_48h": (
        [case(said("first_stool", "not_yet"), hours="48"), case(said("first_stool", "none_by_24h"), hours="60")],
        [
            case(said("first_stool", "not_yet"), hours="47.99"),
            case(came("first_stool", "47"), hours="60"),
            case(missed("first_stool", "other_reason"), hours="60"),
        ],
    ),
    "no_urine_by_24h": (
        [case(said("first_void", "not_yet"), hours="24")],
        [case(said("first_void", "not_yet"), hours="23.99"), case(came("first_void", "23"), hours="30")],
    ),
    "no_urine_by_48h": (
        [case(said("first_void", "not_yet"), hours="48"), case(said("first_void", "none_by_24h"), hours="60")],
        [case(said("first_void", "none_by_24h"), hours="47.9"), case(came("first_void", "47"), hours="60")],
    ),
    "urine_blocked_in_a_boy": (
        [
            case(said("urine_character", "weak_stream"), said("first_void", "none_by_24h"), hours="30"),
            case(said("abdomen_palpation", "mass", site="mid_abdomen"), said("urine_character", "weak_stream")),
            case(
                said("birth_events", "kidney_scan_finding", method="record"), said("urine_character", "weak_stream")
            ),
        ],
        [
            case(
                said("urine_character", "weak_stream"),
                said("abdomen_palpation", "mass", site="mid_abdomen"),
                sex=Sex.FEMALE,
            ),
            case(said("urine_character", "weak_stream")),
            case(said("urine_character", "weak_stream"), said("first_void", "not_yet"), hours="23.9"),
        ],
    ),
    "feeding_failure_with_jaundice": (
        [
            case(YELLOW, *lost("10.1"), weeks=37, days=6),
            case(YELLOW, read("wet_nappies_in_24h", "2", "{count}"), weeks=37, days=6, hours="60"),
            case(YELLOW_EYE, *lost("10.1"), said("stool_character", "meconium"), hours="96"),
            case(YELLOW, *lost("10.1"), read("feeds_in_24h", "5", "{count}"), hours="60"),
            case(YELLOW, *lost("10.1"), said("urine_character", "urate_stain_after_day_3"), hours="80"),
        ],
        [
            # exactly 10 % is not over 10 %
            case(YELLOW, *lost("10"), weeks=37, days=6),
            case(YELLOW, *lost("10.1"), weeks=38, days=0),
            case(YELLOW, *lost("10.1"), weeks=None),
            case(YELLOW, *lost("10.1"), said("stool_character", "meconium"), hours="95.9"),
            case(YELLOW, read("wet_nappies_in_24h", "3", "{count}"), weeks=37, days=6, hours="60"),
        ],
    ),
    "feeding_concern_with_sign": (
        [
            case(WORRIED, FEEDS_POORLY),
            case(WORRIED, said("feeding_quality", "needs_help")),
            case(WORRIED, *lost("10.1"), hours="60"),
        ],
        [case(WORRIED), case(WORRIED, *lost("10"), hours="60"), case(*lost("10.1"), hours="60")],
    ),
    "dehydration": (
        [
            case(*lost("10.1"), said("anterior_fontanelle_tension", "sunken"), hours="80"),
            case(*lost("10.1"), axilla("37.6"), hours="80"),
            case(*lost("10.1"), LETHARGIC, hours="80"),
            case(*lost("10.1"), read("wet_nappies_in_24h", "0", "{count}"), hours="80"),
        ],
        [
            case(*lost("10"), said("anterior_fontanelle_tension", "sunken"), hours="80"),
            case(*lost("10.1"), axilla("37.5"), hours="80"),
            case(*lost("10.1"), axilla("36.4"), hours="80"),
            case(LETHARGIC, said("oral_mucosa", "dry"), hours="80"),
        ],
    ),
    "pale_stool_or_dark_urine_with_jaundice": (
        [
            case(said("stool_character", "pale_clay"), YELLOW, hours="90"),
            case(said("stool_character", "pale_clay"), said("urine_character", "dark")),
            case(said("urine_character", "dark"), YELLOW, hours="336"),
        ],
        [
            case(said("stool_character", "pale_clay")),
            case(said("urine_character", "dark"), YELLOW, hours="335"),
            case(said("stool_character", "milk_stool"), YELLOW),
        ],
    ),
    "low_weight_without_birth_weight": (
        [case(read("weight", "2499", "g"))],
        [
            case(read("weight", "2500", "g")),
            case(read("weight", "2499", "g"), read("birth_weight", "2600", "g")),
            case(read("weight", "2499", "g"), hours="72"),
            case(read("weight", "2499", "g"), hours="20", before={"1": [read("birth_weight", "2600", "g")]}),
        ],
    ),
}
