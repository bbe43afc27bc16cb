"""FHIR resources without dates: the year of birth alone, and every other time as its distance from birth.

45 CFR 164.514(b)(2)(i)(C) takes all elements of dates but the year. Where R4 has a place for a time there stands the
standard extension ``cqf-relativeDateTime`` (R4, extension-cqf-relativedatetime.html) in its place: so long after the
newborn's birth. Nothing stands there that looks like a date and is none.
"""

from __future__ import annotations

import re
from datetime import datetime
from decimal import Decimal
from typing import Any

from adapter.fhir.json import Json
from adapter.fhir.people import BIRTH_TIME

RELATIVE = "http://hl7.org/fhir/StructureDefinition/cqf-relativeDateTime"
TIME_WITHHELD = "[time withheld]"
_MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d)?")


def without_times(text: str) -> str:
    """Words without the moments that they name."""
    return _MOMENT.sub(TIME_WITHHELD, text)


def undated(resource: Json, born: datetime, patient: str) -> Json:
    """The resource without dates; ``patient`` is the reference to the newborn that was born then."""
    made: Json = _undated(resource, born, patient)
    if resource["resourceType"] == "Patient":
        made["birthDate"] = f"{born.year:04}"
        kept = [one for one in resource.get("_birthDate", {}).get("extension", []) if one.get("url") != BIRTH_TIME]
        made.pop("_birthDate", None)
        if kept:
            made["_birthDate"] = {"extension": kept}
    return made


def _undated(value: Any, born: datetime, patient: str) -> Any:
    if isinstance(value, str):
        return without_times(value)
    if isinstance(value, list):
        return [_undated(one, born, patient) for one in value]
    if not isinstance(value, dict):
        return value
    made: Json = {}
    for name, one in value.items():
        if isinstance(one, str) and _MOMENT.fullmatch(one):
            made[f"_{name}"] = {"extension": [_relative(datetime.fromisoformat(one) - born, patient)]}
        else:
            made[name] = _undated(one, born, patient)
    return made


def _relative(lived: Any, patient: str) -> Json:
    seconds = Decimal(lived.days * 86400 + lived.seconds) + Decimal(lived.microseconds) / 1_000_000
    amount, unit = (seconds / 60, "min") if seconds % 60 == 0 else (seconds, "s")
    after = "after" if amount >= 0 else "before"
    duration = {"value": abs(amount), "unit": unit, "system": "http://unitsofmeasure.org", "code": unit}
    parts = [
        {"url": "target", "valueReference": {"reference": patient}},
        {"url": "targetPath", "valueString": "birthDate"},
        {"url": "relationship", "valueCode": after},
        {"url": "offset", "valueDuration": duration},
    ]
    return {"url": RELATIVE, "extension": parts}
