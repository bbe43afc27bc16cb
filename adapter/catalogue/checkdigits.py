"""Check digits of LOINC and SNOMED CT codes: they catch typing errors, not wrong meanings."""

from __future__ import annotations

import re

_LOINC = re.compile(r"[1-9][0-9]{0,6}-[0-9]")
_SCTID = re.compile(r"[1-9][0-9]{5,17}")

# Verhoeff's dihedral tables as SNOMED CT uses them (SNOMED CT Release File Specification, SCTID check digit).
_MULTIPLY = (
    "0123456789",
    "1234067895",
    "2340178956",
    "3401289567",
    "4012395678",
    "5987604321",
    "6598710432",
    "7659821043",
    "8765932104",
    "9876543210",
)
_PERMUTE = (
    "0123456789",
    "1576283094",
    "5803796142",
    "8916043527",
    "9453126870",
    "4286573901",
    "2793806415",
    "7046913258",
)


def loinc_is_valid(code: str) -> bool:
    """Whether a LOINC code has its form and its modulus-10 check digit (LOINC Users' Guide, appendix)."""
    if not _LOINC.fullmatch(code):
        return False
    body, digit = code.split("-")
    total = 0
    for place, character in enumerate(reversed(body)):
        number = int(character) * (2 if place % 2 == 0 else 1)
        total += number - 9 if number > 9 else number
    return (10 - total % 10) % 10 == int(digit)


def snomed_is_valid(code: str) -> bool:
    """Whether a SNOMED CT concept id has its form, a concept's partition id and its Verhoeff check digit."""
    if not _SCTID.fullmatch(code) or code[-3:-1] not in ("00", "10"):
        return False
    check = 0
    for place, character in enumerate(reversed(code)):
        check = int(_MULTIPLY[check][int(_PERMUTE[place % 8][int(character)])])
    return check == 0
