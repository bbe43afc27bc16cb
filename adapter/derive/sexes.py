"""Which sex-specific items apply to an infant; undecided wherever the genitals or the sex are not typical."""

from __future__ import annotations

from collections.abc import Iterable

from adapter.exam import Finding, Newborn, Sex

GENITAL_TYPE = "genital_type"
"""The item that says which items of one sex apply."""

_TYPICAL = {"typical_female": Sex.FEMALE, "typical_male": Sex.MALE}


def genital_types(findings: Iterable[Finding]) -> list[Finding]:
    """The findings that answer which genital type was seen."""
    return [f for f in findings if f.item == GENITAL_TYPE and f.not_examined is None]


def typical_sex(newborn: Newborn | None, findings: Iterable[Finding]) -> Sex | None:
    """The sex whose items apply, or None when both sets may.

    What was seen goes before the sex on record; an atypical genital type, or one given in words, leaves both
    sets open, as does a sex recorded as other or unknown.
    """
    seen = genital_types(findings)
    if seen:
        return _TYPICAL.get(seen[0].answer or "")
    if newborn is not None and newborn.sex in (Sex.FEMALE, Sex.MALE):
        return newborn.sex
    return None
