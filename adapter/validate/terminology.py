"""Layer terminology, the part that needs no terminology server: check digits and units.

LOINC check digits (LOINC Users' Guide), SNOMED CT identifiers (SNOMED CT Release File Specification), UCUM.
A check digit that is right proves no meaning; one that is wrong proves a code that does not exist.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from functools import lru_cache

from adapter.catalogue.checkdigits import loinc_is_valid, snomed_is_valid
from adapter.problems import Layer, Problem, Severity
from adapter.validate.ucum import NOT_UCUM, Reading, read_unit
from adapter.validate.walk import Node, text

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"

# Answers (LA), answer lists (LL), parts (LP), groups (LG): their check digits follow another rule
_LOINC_OTHER = re.compile(r"L[ALPG][0-9]{1,7}-[0-9]")
_SNOMED_IN_EXPRESSION = re.compile(r"(?<![0-9|])[0-9]{6,18}(?![0-9])")
_LOOK_ALIKES = {"C": ("coulomb", "Cel"), "F": ("farad", "[degF]")}

_WRONG_SYSTEMS = {
    "https://loinc.org": LOINC,
    "http://loinc.org/": LOINC,
    "urn:oid:2.16.840.1.113883.6.1": LOINC,
    "https://snomed.info/sct": SNOMED,
    "http://snomed.info/sct/": SNOMED,
    "urn:oid:2.16.840.1.113883.6.96": SNOMED,
    "https://unitsofmeasure.org": UCUM,
    "http://unitsofmeasure.org/": UCUM,
    "urn:oid:2.16.840.1.113883.6.8": UCUM,
}
#: rule, what, remedy, section, severity
_Fault = tuple[str, str, str, str, Severity]
_QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration"})


def check_terminology(nodes: Iterable[Node]) -> Iterator[Problem]:
    """Yield a problem for each code that cannot exist and each unit that is not UCUM."""
    for node in nodes:
        if node.type == "Coding" or node.type in _QUANTITIES:
            system, code = text(node.value, "system"), text(node.value, "code")
            if system in _WRONG_SYSTEMS:
                yield _problem(
                    "code-system-url", f"{node.where}.system", "not the URL that FHIR uses for this code system",
                    _WRONG_SYSTEMS[system], "FHIR R4 Terminologies Systems (terminologies-systems.html)",
                )  # fmt: skip
            if code:
                for rule, what, remedy, section, severity in _faults(_WRONG_SYSTEMS.get(system, system), code):
                    yield _problem(rule, f"{node.where}.code", what, remedy, section, severity)


@lru_cache(maxsize=65536)
def _faults(system: str, code: str) -> tuple[_Fault, ...]:
    """What is wrong with a code of a system; the same few codes come again and again."""
    return tuple(_check_code(system, code))


def _check_code(system: str, code: str) -> Iterator[_Fault]:
    if system == LOINC and not loinc_is_valid(code) and not _LOINC_OTHER.fullmatch(code):
        yield (
            "loinc-check-digit", f"{code} is no LOINC code: its check digit or form is wrong",
            "the code as the LOINC table has it", "LOINC Users' Guide", Severity.ERROR,
        )  # fmt: skip
    elif system == SNOMED:
        concepts = [code] if code.isdigit() else _SNOMED_IN_EXPRESSION.findall(code.partition("|")[0] or code)
        wrong = [concept for concept in concepts if not snomed_is_valid(concept)]
        if wrong or not concepts:
            yield (
                "snomed-check-digit",
                f"{wrong[0] if wrong else code} is no SNOMED CT concept id: its check digit or form is wrong",
                "the concept id as a SNOMED CT browser shows it", "SNOMED CT Release File Specification, SCTID",
                Severity.ERROR,
            )  # fmt: skip
    elif system == UCUM:
        yield from _check_unit(code)


def _check_unit(code: str) -> Iterator[_Fault]:
    reading = read_unit(code)
    section = "UCUM, case sensitive form"
    if code in _LOOK_ALIKES:
        means, meant = _LOOK_ALIKES[code]
        what = f"{code} is UCUM for {means}"
        yield ("ucum-suspicious", what, f"{meant} for a temperature", section, Severity.WARNING)
    elif reading is Reading.INVALID:
        yield ("ucum-grammar", f"{code} is not UCUM", NOT_UCUM.get(code, "a UCUM code"), section, Severity.ERROR)
    elif reading is Reading.UNKNOWN:
        yield (
            "ucum-unknown", f"{code} has a unit that this check does not know",
            "check it against the UCUM tables", section, Severity.WARNING,
        )  # fmt: skip


def _problem(
    rule: str, where: str, what: str, remedy: str, section: str, severity: Severity = Severity.ERROR
) -> Problem:
    return Problem(severity, Layer.TERMINOLOGY, rule, what, remedy, where=where, section=section)
