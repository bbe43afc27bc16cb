"""Layer profiles: the vital signs profiles that R4 demands of every Observation with one of their codes.

FHIR R4, Vital Signs (observation-vitalsigns.html) and the profiles ``vitalsigns``, ``heartrate``,
``resprate``, ``bodytemp``, ``oxygensat``, ``bodyweight``, ``bodyheight``, ``headcircum``, ``bmi``, ``bp`` and
``vitalspanel`` of 4.0.1. They hold by the LOINC code, whether ``meta.profile`` names them or not.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from adapter.problems import Layer, Problem, Severity
from adapter.validate.terminology import LOINC, UCUM
from adapter.validate.walk import ElementNode, claimed_profiles, has, objects, text

CATEGORY = ("http://terminology.hl7.org/CodeSystem/observation-category", "vital-signs")
PROFILE_BASE = "http://hl7.org/fhir/StructureDefinition/"


@dataclass(frozen=True, slots=True)
class Vital:
    """What one profile fixes: its LOINC code, the units of its quantity, or its components' codes.

    ``units`` empty means that there is no value of its own.
    """

    profile: str
    code: str
    units: tuple[str, ...] = ()
    components: tuple[str, ...] = ()
    has_members: bool = False


VITALS = (
    Vital("heartrate", "8867-4", ("/min",)),
    Vital("resprate", "9279-1", ("/min",)),
    Vital("bodytemp", "8310-5", ("Cel", "[degF]")),
    Vital("oxygensat", "2708-6", ("%",)),
    Vital("bodyweight", "29463-7", ("g", "kg", "[lb_av]")),
    Vital("bodyheight", "8302-2", ("cm", "[in_i]")),
    Vital("headcircum", "9843-4", ("cm", "[in_i]")),
    Vital("bmi", "39156-5", ("kg/m2",)),
    Vital("bp", "85354-9", components=("8480-6", "8462-4")),
    Vital("vitalspanel", "85353-1", has_members=True),
)
BLOOD_PRESSURE_UNITS = ("mm[Hg]",)
COMMON_UNITS = ("%", "cm", "[in_i]", "kg", "g", "[lb_av]", "Cel", "[degF]", "mm[Hg]", "/min", "kg/m2", "m2")

_BY_CODE = {vital.code: vital for vital in VITALS}
_BY_PROFILE = {PROFILE_BASE + vital.profile: vital for vital in VITALS}


def check_vital_signs(nodes: Iterable[ElementNode]) -> Iterator[Problem]:
    """Yield what the R4 vital signs profiles say against each Observation that they are for."""
    for node in nodes:
        if node.type != "Observation":
            continue
        claimed = [profile.partition("|")[0] for profile in claimed_profiles(node.value)]
        vitals = [_BY_CODE[code] for code in sorted(_loinc_codes(node.value) & _BY_CODE.keys())]
        if not vitals and not claimed:
            continue
        for vital in (v for v in (_BY_PROFILE.get(url) for url in claimed) if v and v not in vitals):
            yield _problem(
                "vital-sign-code", vital.profile, f"{node.where}.code", "meta.profile claims a vital sign",
                f"LOINC {vital.code} among the codings, or no such claim",
            )  # fmt: skip
        if vitals or PROFILE_BASE + "vitalsigns" in claimed:
            yield from _check_base(node, claims=any(url.startswith(PROFILE_BASE) for url in claimed))
        for vital in dict.fromkeys((*vitals, *(v for v in map(_BY_PROFILE.get, claimed) if v))):
            yield from _check_vital(node, vital)


def _check_base(node: ElementNode, *, claims: bool) -> Iterator[Problem]:
    """The profile ``vitalsigns``: category, subject, effective, vs-1, vs-2, vs-3.

    ``claims``: ``meta.profile`` names a vital signs profile of R4. Where it does not, the binding of components is
    warned of alone: guides that build on R4 give components other units (US Core: oxygen flow in L/min beside the
    saturation), and the standard's own engine takes them so.
    """
    value, where = node.value, node.where
    categories = [_codings(category) for category in objects(value, "category")]
    if not any(CATEGORY in codings for codings in categories):
        yield _problem(
            "vital-sign-category", "vitalsigns", f"{where}.category", "a vital sign without its category",
            f"a coding {CATEGORY[1]} of {CATEGORY[0]}",
        )  # fmt: skip
    if not has(value, "subject"):
        what = "a vital sign without subject"
        yield _problem("vital-sign-subject", "vitalsigns", f"{where}.subject", what, "a reference to the patient")
    effective = text(value, "effectiveDateTime")
    if effective:
        if len(effective) < 8:
            what = "not precise to the day"
            yield _problem("vs-1", "vitalsigns", f"{where}.effectiveDateTime", what, "at least YYYY-MM-DD")
    elif not has(value, "effectivePeriod") and not has(value, "effectiveDateTime"):
        what = "a vital sign without the time it is of"
        yield _problem("vital-sign-effective", "vitalsigns", f"{where}.effective", what, "effectiveDateTime")
    answered = has(value, "value[x]") or has(value, "dataAbsentReason")
    if not answered and not has(value, "component") and not has(value, "hasMember"):
        what = "neither value nor dataAbsentReason"
        yield _problem("vs-2", "vitalsigns", where, what, "a value, or the reason why there is none")
    for index, component in enumerate(objects(value, "component")):
        if not has(component, "value[x]") and not has(component, "dataAbsentReason"):
            place = f"{where}.component[{index}]"
            yield _problem("vs-3", "vitalsigns", place, "neither value nor dataAbsentReason", "one of the two")
        for problem in _check_component_binding(component, f"{where}.component[{index}]"):
            yield problem if claims else replace(problem, severity=Severity.WARNING)


def _check_component_binding(component: Mapping[str, Any], where: str) -> Iterator[Problem]:
    """The required binding of component.value[x] to ucum-vitals-common, for the types that carry codes."""
    for quantity in objects(component, "valueQuantity"):
        if text(quantity, "system") != UCUM or text(quantity, "code") not in COMMON_UNITS:
            what = "the unit of a component of a vital sign is not one of the value set ucum-vitals-common"
            place = f"{where}.valueQuantity.code"
            yield _problem("vital-sign-component-unit", "vitalsigns", place, what, _list(COMMON_UNITS))
    for concept in objects(component, "valueCodeableConcept"):
        if not _codings(concept) & {(UCUM, unit) for unit in COMMON_UNITS}:
            what = "a coded value of a component of a vital sign is not of the value set ucum-vitals-common"
            remedy = "an Observation of its own with the same focus, or a note; R4 binds component.value[x]"
            place = f"{where}.valueCodeableConcept"
            yield _problem("vital-sign-component-unit", "vitalsigns", place, what, remedy)


def _check_vital(node: ElementNode, vital: Vital) -> Iterator[Problem]:
    value, where = node.value, node.where
    if vital.units:
        yield from _check_value(value, vital.units, vital.profile, where)
    elif has(value, "value[x]") and (vital.has_members or has(value, "valueQuantity")):
        what = "the value stands in the members or components here"
        yield _problem("vital-sign-value", vital.profile, f"{where}.value", what, "no value of its own")
    if vital.has_members and not has(value, "hasMember"):
        what = "a panel of vital signs without members"
        yield _problem("vital-sign-members", vital.profile, f"{where}.hasMember", what, "hasMember, one or more")
    for code in vital.components:
        found = [
            (index, component)
            for index, component in enumerate(objects(value, "component"))
            if code in _loinc_codes(component)
        ]
        if len(found) != 1:
            what = f"{len(found)} components with LOINC {code}"
            remedy = "exactly one, with a value or a dataAbsentReason"
            yield _problem("vital-sign-component", vital.profile, f"{where}.component", what, remedy)
        for index, component in found:
            place = f"{where}.component[{index}]"
            yield from _check_value(component, BLOOD_PRESSURE_UNITS, vital.profile, place)


def _check_value(holder: Mapping[str, Any], units: tuple[str, ...], profile: str, where: str) -> Iterator[Problem]:
    """The quantity with value, unit, UCUM system and one of the profile's unit codes, if there is a value."""
    if not has(holder, "valueQuantity"):
        if has(holder, "value[x]"):
            what = "the value of this vital sign is a Quantity"
            yield _problem("vital-sign-value", profile, f"{where}.value", what, f"valueQuantity in {_list(units)}")
        return
    place = f"{where}.valueQuantity"
    for quantity in objects(holder, "valueQuantity"):
        for name in ("value", "unit", "system", "code"):
            if not has(quantity, name):
                what = f"the quantity of a vital sign must have {name}"
                yield _problem("vital-sign-quantity", profile, f"{place}.{name}", what, _list(units))
        system, code = text(quantity, "system"), text(quantity, "code")
        if system and system != UCUM:
            what = "the unit's code system is not UCUM"
            yield _problem("vital-sign-unit", profile, f"{place}.system", what, UCUM)
        if code and code not in units:
            what = f"{code} is not a unit of this vital sign"
            yield _problem("vital-sign-unit", profile, f"{place}.code", what, _list(units))


def _codings(concept: Mapping[str, Any]) -> set[tuple[str, str]]:
    return {(text(coding, "system"), text(coding, "code")) for coding in objects(concept, "coding")}


def _loinc_codes(holder: Mapping[str, Any]) -> set[str]:
    codings = [coding for concept in objects(holder, "code") for coding in objects(concept, "coding")]
    return {text(coding, "code") for coding in codings if coding.get("system") == LOINC}


def _list(units: Iterable[str]) -> str:
    return "UCUM " + " | ".join(units)


def _problem(rule: str, profile: str, where: str, what: str, remedy: str) -> Problem:
    section = f"FHIR R4 Vital Signs (observation-vitalsigns.html), profile {profile}"
    return Problem(Severity.ERROR, Layer.PROFILES, rule, what, remedy, where=where, section=section)
