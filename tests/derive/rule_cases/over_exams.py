"""What rules ask of several readings and of earlier exams. Sources beside each; what has none is common practice."""

from __future__ import annotations

from datetime import timedelta

from scenes import BORN, read, said

from adapter.exam import Finding
from rule_cases.words import RATE_61, Cases, axilla, case


def at(finding: Finding, hours: float) -> Finding:
    """The finding, made so many hours after birth."""
    return finding.model_copy(update={"observed_at": BORN + timedelta(hours=hours)})


def glucose(value: str, unit: str = "mg/dL") -> Finding:
    return read("glucose", value, unit)


def head(value: str) -> Finding:
    return read("head_circumference", value, "cm")


def grams(value: str) -> Finding:
    return read("weight", value, "g")


def arm(answer: str, side: str) -> Finding:
    return said("arm_movement", answer, side=side)


def by(method: str, degrees: str) -> Finding:
    return axilla(degrees).model_copy(update={"method": method})


LOW = glucose("35.9")
CAPUT = said("scalp_swelling", "caput_crosses_sutures", site="scalp_parietal")
VACUUM = said("birth_events", "vacuum")
HEARD, NOT_HEARD = said("murmur", "soft_systolic_after_24h"), said("murmur", "none_heard")
HELPED, LATCHED = said("feeding_quality", "needs_help"), said("feeding_quality", "latches_and_swallows")

CASES: Cases = {
    # British Association of Perinatal Medicine: under 2.0 mmol/L, and under 2.0 at the next measurement.
    "glucose_low_twice": (
        [
            case(LOW, hours="5", before={"3": [LOW]}),
            case(at(LOW, 3), at(LOW, 4), hours="5"),
            case(glucose("1.9", "mmol/L"), hours="5", before={"3": [glucose("1.9", "mmol/L")]}),
            # a normal one between, or after, is no answer to the two
            case(LOW, hours="5", before={"3": [LOW], "4": [glucose("60")]}),
            case(at(LOW, 4), at(glucose("60"), 4.5), hours="5", before={"3": [LOW]}),
            case(LOW, hours="27", before={"3": [LOW]}),
        ],
        [
            case(glucose("36"), hours="5", before={"3": [LOW]}),
            case(LOW, hours="5", before={"3": [glucose("36")]}),
            case(LOW, hours="5"),
            case(at(LOW, 5), at(glucose("30"), 5), hours="5"),  # two readings of one moment are one
            case(glucose("60"), hours="5", before={"3": [LOW], "4": [LOW]}),  # told of the exam at 4 h
            case(LOW, hours="27.1", before={"3": [LOW]}),
            case(LOW, hours="48", before={"47": [LOW]}),
            case(glucose("2.0", "mmol/L"), hours="5", before={"3": [glucose("1.9", "mmol/L")]}),
        ],
    ),
    # Medecins sans Frontieres, 10.3: recurrent hypoglycaemia, under 45 mg/dL on more than two episodes.
    "glucose_low_three_times": (
        [
            case(glucose("44"), hours="60", before={"5": [glucose("44")], "30": [glucose("44")]}),
            case(*(at(glucose("44"), n) for n in (5, 6, 7)), hours="8"),
        ],
        [
            case(glucose("45"), hours="60", before={"5": [glucose("44")], "30": [glucose("44")]}),
            case(glucose("44"), hours="60", before={"5": [glucose("44")]}),
        ],
    ),
    # Open University, newborn module: 60 or more, counted twice, a minute each.
    "fast_breathing_counted_twice": (
        [case(RATE_61, hours="6", before={"5": [RATE_61]}), case(at(RATE_61, 5), at(RATE_61, 5.1), hours="6")],
        [
            case(read("respiratory_rate", "60", "/min"), hours="6", before={"5": [RATE_61]}),
            case(RATE_61, hours="4.5", before={"3.9": [RATE_61]}),  # transition
            case(RATE_61, hours="20", before={"13.9": [RATE_61]}),
        ],
    ),
    # Joseph: a limb that moves less is pain or palsy; an injury of birth is there from birth.
    "limb_moves_less_than_before": (
        [
            case(arm("reduced", "left"), hours="200", before={"20": [arm("full_spontaneous", "left")]}),
            case(
                said("leg_movement", "none", side="right"),
                hours="200",
                before={"20": [said("leg_movement", "full_spontaneous", side="right")], "90": []},
            ),
        ],
        [
            case(arm("reduced", "left"), hours="200", before={"20": [arm("full_spontaneous", "right")]}),
            case(arm("reduced", "left"), hours="200", before={"20": [arm("reduced", "left")]}),
            case(arm("full_spontaneous", "left"), hours="200", before={"20": [arm("reduced", "left")]}),
            case(arm("reduced", "left"), arm("full_spontaneous", "right"), hours="200"),
        ],
    ),
    # A Canadian hospital, 2014: measured again and again after vacuum or forceps; 1 cm more is called in.
    "head_grows_after_instruments": (
        [
            case(head("35"), VACUUM, hours="6", before={"1": [head("34")]}),
            case(head("35"), hours="6", before={"1": [head("34"), VACUUM]}),  # what was told once lasts
            case(head("35.0"), CAPUT, hours="25", before={"1": [head("34.0")]}),
            case(head("35.0"), hours="25", before={"1": [head("34.0"), CAPUT]}),
            case(at(head("34"), 1), at(head("35"), 3), VACUUM, hours="6"),
        ],
        [
            case(head("34.9"), VACUUM, hours="6", before={"1": [head("34")]}),
            case(head("35"), hours="6", before={"1": [head("34")]}),
            case(head("35"), VACUUM, hours="25.1", before={"1": [head("34")]}),
            case(head("34"), VACUUM, hours="6", before={"1": [head("35")]}),
            case(at(head("34"), 6), at(head("35"), 6), VACUUM, hours="6"),
        ],
    ),
    # NICE NG75, 1.1.1: the loss usually stops after about 3 or 4 days.
    "weight_falls_after_first_days": (
        [case(grams("3290"), hours="150", before={"110": [grams("3300")]})],
        [
            case(grams("3300"), hours="150", before={"110": [grams("3300")]}),
            case(grams("3290"), hours="143", before={"110": [grams("3300")]}),
            case(grams("3290"), hours="160", before={"110": [grams("3300")]}),
        ],
    ),
    # Common practice from here on: switched off until a clinician has read them.
    "temperature_off_range_twice": (
        [
            case(axilla("36.2"), hours="12", before={"10": [axilla("36.3")]}),
            case(axilla("37.8"), hours="12", before={"10": [axilla("36.3")]}),
        ],
        [
            case(axilla("36.5"), hours="12", before={"10": [axilla("36.3")]}),
            case(axilla("36.2"), hours="17", before={"10": [axilla("36.3")]}),
            case(axilla("36.2"), hours="7", before={"6": [axilla("36.3")]}),  # the first hours
        ],
    ),
    "temperature_drifts": (
        [
            case(axilla("36.5"), hours="12", before={"10": [axilla("37.5")]}),
            case(axilla("36.5"), hours="12", before={"10": [by("digital_thermometer", "37.5")]}),  # one unsaid
            case(axilla("37.5"), hours="12", before={"10": [axilla("36.5")]}),
        ],
        [
            case(axilla("36.6"), hours="12", before={"10": [axilla("37.5")]}),
            case(axilla("36.5"), hours="12", before={"10": [read("temperature", "37.6", "Cel", site="rectum")]}),
            case(by("infrared_thermometer", "36.5"), hours="12", before={"10": [by("digital_thermometer", "37.5")]}),
            case(axilla("36.5"), hours="17", before={"10": [axilla("37.5")]}),
        ],
    ),
    "murmur_not_there_before": (
        [case(HEARD, hours="40", before={"12": [NOT_HEARD]})],
        [
            case(HEARD, hours="40", before={"12": [HEARD]}),
            case(NOT_HEARD, hours="40", before={"12": [HEARD]}),
            case(said("murmur", "soft_systolic_first_24h_well"), hours="20", before={"12": [NOT_HEARD]}),
        ],
    ),
    "oxygen_need_rises": (
        [case(read("inspired_oxygen", "40", "%"), hours="12", before={"10": [read("inspired_oxygen", "30", "%")]})],
        [
            case(read("inspired_oxygen", "39", "%"), hours="12", before={"10": [read("inspired_oxygen", "30", "%")]}),
            case(read("inspired_oxygen", "40", "%"), hours="17", before={"10": [read("inspired_oxygen", "30", "%")]}),
        ],
    ),
    "head_grows_fast": (
        [case(head("37.1"), hours="300", before={"180": [head("35")]})],
        [
            case(head("37"), hours="300", before={"180": [head("35")]}),
            case(head("37.1"), hours="239", before={"180": [head("35")]}),
            case(head("37.1"), hours="349", before={"180": [head("35")]}),
        ],
    ),
    "feeds_worse_than_before": (
        [case(HELPED, hours="40", before={"12": [LATCHED]})],
        [
            case(HELPED, hours="40", before={"12": [HELPED]}),
            case(HELPED, hours="20", before={"12": [LATCHED]}),
            case(LATCHED, hours="40", before={"12": [HELPED]}),
        ],
    ),
}
