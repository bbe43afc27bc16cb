"""Findings that several cases share."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from scenes import read, said, scene

from adapter.exam import Exam, Finding, Quantity

Case = tuple[list[Finding], dict[str, Any]]
Cases = dict[str, tuple[list[Case], list[Case]]]


def case(*findings: Finding, **more: Any) -> Case:
    """Findings of an exam; ``before``: those of earlier ones by the hours of life at which these began."""
    return list(findings), more


def exams_of(given: Case) -> tuple[Exam, list[Exam]]:
    """The exam of a case, and the earlier ones of the infant."""
    findings, more = given
    asked = {name: value for name, value in more.items() if name != "before"}
    plain = {name: value for name, value in asked.items() if name != "hours"}
    before = sorted(more.get("before", {}).items(), key=lambda one: Decimal(one[0]))
    earlier = [scene(*some, hours=at, exam_id=f"at-{at}", **plain) for at, some in before]
    return scene(*findings, **asked), earlier


def axilla(degrees: str) -> Finding:
    return read("temperature", degrees, "Cel", site="axilla")


def saturation(site: str, percent: str) -> Finding:
    return Finding(item="oxygen_saturation", site=site, value=Quantity(value=Decimal(percent), unit="%"))


def lost(percent_of_3000_g: str) -> list[Finding]:
    """A birth weight of 3000 g and the weight that is left."""
    left = Decimal(3000) * (100 - Decimal(percent_of_3000_g)) / 100
    return [read("birth_weight", "3000", "g"), read("weight", f"{left:f}", "g")]


RATE_60 = read("respiratory_rate", "60", "/min")
RATE_61 = read("respiratory_rate", "61", "/min")
RATE_71 = read("respiratory_rate", "71", "/min")
GRUNT = said("grunting", "stethoscope_only")
FLARING = said("nasal_flaring", "mild")
RETRACTIONS = said("retractions", "mild_at_rest", site="subcostal")
YELLOW = said("jaundice", "face_or_chest_after_24h")
YELLOW_EYE = said("sclera_conjunctiva", "yellow", side="left")
REFILL_3 = read("capillary_refill_time", "3", "s", site="sternum")
REFILL_LONG = read("capillary_refill_time", "3.1", "s", site="sternum")
JITTERY = said("movements", "jittery_stops_when_held")
LETHARGIC = said("alertness", "lethargic")
FEEDS_POORLY = said("feeding_quality", "poor")
DIMPLE = said("spine_midline_skin", "atypical_dimple", site="lower_back")
SKIN_BILIRUBIN = read("transcutaneous_bilirubin", "8", "mg/dL", site="sternum")
BLOOD_BILIRUBIN = read("serum_bilirubin", "8", "mg/dL")
