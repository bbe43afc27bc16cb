"""Layer terminology, the part that needs no terminology server: check digits, code systems, displays and units.

LOINC check digits (LOINC Users' Guide), SNOMED CT identifiers (SNOMED CT Release File Specification), UCUM.
A check digit that is right proves no meaning; one that is wrong proves a code that does not exist.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache, lru_cache

from adapter.catalogue.checkdigits import loinc_is_valid, snomed_is_valid
from adapter.catalogue.files import mappings
from adapter.catalogue.verified import read_verified
from adapter.problems import Layer, Problem, Severity
from adapter.validate.ucum import NOT_UCUM, ParsedUnit, read_unit
from adapter.validate.walk import ElementNode, text

LOINC = "http://loinc.org"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"

# Answers (LA), answer lists (LL), parts (LP), groups (LG): their check digits follow another rule
_LOINC_FORM = re.compile(r"[0-9]{1,7}-[0-9]")
_LOINC_OTHER = re.compile(r"L[ALPG][0-9]{1,7}-[0-9]")
_SNOMED_IN_EXPRESSION = re.compile(r"(?<![0-9|])[0-9]{6,18}(?![0-9])")
_SNOMED_VERSION = re.compile(r"http://snomed\.info/x?sct(/[0-9]{6,18}(/version/[0-9]{8})?)?")
_SYSTEMS = "FHIR R4 Terminologies Systems (terminologies-systems.html)"
_CODING = "FHIR R4 Data Types (datatypes.html#Coding)"
_LOOK_ALIKES = {"C": ("coulomb", "Cel"), "F": ("farad", "[degF]")}

_WRONG_SYSTEMS = {
    "https://loinc.org": LOINC,
    "http://loinc.org/": LOINC,
    "http://www.loinc.org": LOINC,
    "loinc": LOINC,
    "LOINC": LOINC,
    "2.16.840.1.113883.6.1": LOINC,
    "urn:oid:2.16.840.1.113883.6.1": LOINC,
    "https://snomed.info/sct": SNOMED,
    "http://snomed.info/sct/": SNOMED,
    "http://www.snomed.org": SNOMED,
    "http://snomed.info": SNOMED,
    "http://snomed.info/id": SNOMED,
    "snomed": SNOMED,
    "SNOMED": SNOMED,
    "SNOMED-CT": SNOMED,
    "2.16.840.1.113883.6.96": SNOMED,
    "urn:oid:2.16.840.1.113883.6.96": SNOMED,
    "https://unitsofmeasure.org": UCUM,
    "http://unitsofmeasure.org/": UCUM,
    "http://www.unitsofmeasure.org": UCUM,
    "http://ucum.org": UCUM,
    "ucum": UCUM,
    "UCUM": UCUM,
    "2.16.840.1.113883.6.8": UCUM,
    "urn:oid:2.16.840.1.113883.6.8": UCUM,
}
#: rule, what, remedy, section, severity
_Fault = tuple[str, str, str, str, Severity]
_QUANTITIES = frozenset({"Quantity", "Age", "Count", "Distance", "Duration"})


def check_terminology(nodes: Iterable[ElementNode]) -> Iterator[Problem]:
    """Yield a problem for each code that cannot exist and each unit that is not UCUM."""
    for node in nodes:
        if node.type == "Coding" or node.type in _QUANTITIES:
            system, code = text(node.value, "system"), text(node.value, "code")
            if system in _WRONG_SYSTEMS:
                yield _problem(
                    "code-system-url", f"{node.where}.system", "not the URL that FHIR uses for this code system",
                    _WRONG_SYSTEMS[system], _SYSTEMS,
                )  # fmt: skip
                system = _WRONG_SYSTEMS[system]
            elif system and ":" not in system:
                what = "the code system is no absolute URI"
                yield _problem("code-system-form", f"{node.where}.system", what, "an absolute URI", _CODING)
            if code:
                for rule, what, remedy, section, severity in _faults(system, code):
                    yield _problem(rule, f"{node.where}.code", what, remedy, section, severity)
                if system in (LOINC, SNOMED):
                    yield from _check_version(node, system)
                    yield from _check_display(node, system, code)


def _check_version(node: ElementNode, system: str) -> Iterator[Problem]:
    if system == SNOMED and not _SNOMED_VERSION.fullmatch(text(node.value, "version") or SNOMED):
        yield _problem(
            "snomed-version", f"{node.where}.version", "not the form of a SNOMED CT version",
            "http://snomed.info/sct/MODULE, with or without /version/YYYYMMDD", _SYSTEMS, Severity.WARNING,
        )  # fmt: skip


def _check_display(node: ElementNode, system: str, code: str) -> Iterator[Problem]:
    """A name that the catalogue verified, where the code is one of the catalogue's."""
    display = text(node.value, "display")
    verified = _displays().get((system, code)) if display else None
    if verified and verified.casefold() != display.casefold():
        what = "not the name that was verified for this code"
        yield _problem("display-differs", f"{node.where}.display", what, verified, _CODING, Severity.WARNING)


@cache
def _displays() -> Mapping[tuple[str, str], str]:
    systems = {"loinc": LOINC, "snomed": SNOMED}
    rows = read_verified(mappings() / "codes.csv")[0].values()
    return {(systems[row.system], row.code): row.display for row in rows if row.system in systems and row.display}


@lru_cache(maxsize=65536)
def _faults(system: str, code: str) -> tuple[_Fault, ...]:
    """What is wrong with a code of a system; the same few codes come again and again."""
    return tuple(_check_code(system, code))


def _check_code(system: str, code: str) -> Iterator[_Fault]:
    if system == LOINC and code.isdigit() and snomed_is_valid(code):
        yield (
            "code-system-swapped", f"{code} has the form of a SNOMED CT concept id, not of a LOINC code",
            f"system {SNOMED}", _SYSTEMS, Severity.ERROR,
        )  # fmt: skip
    elif system == SNOMED and _LOINC_FORM.fullmatch(code) and loinc_is_valid(code):
        yield (
            "code-system-swapped", f"{code} has the form of a LOINC code, not of a SNOMED CT concept id",
            f"system {LOINC}", _SYSTEMS, Severity.ERROR,
        )  # fmt: skip
    elif system == LOINC and not loinc_is_valid(code) and not _LOINC_OTHER.fullmatch(code):
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
    elif reading is ParsedUnit.INVALID:
        yield ("ucum-grammar", f"{code} is not UCUM", NOT_UCUM.get(code, "a UCUM code"), section, Severity.ERROR)
    elif reading is ParsedUnit.UNKNOWN:
        yield (
            "ucum-unknown", f"{code} has a unit that UCUM 2.2 does not have",
            "a unit of UCUM; what is counted as an annotation, such as {tablet}", section, Severity.ERROR,
        )  # fmt: skip


def _problem(
    rule: str, where: str, what: str, remedy: str, section: str, severity: Severity = Severity.ERROR
) -> Problem:
    return Problem(severity, Layer.TERMINOLOGY, rule, what, remedy, where=where, section=section)
