"""What the answer to a ``$lookup`` says of a code in its roles: pure, the same with and without a network.

Sources: FHIR R4 CodeSystem/$lookup (codesystem-operation-lookup.html), Using SNOMED CT and Using LOINC with FHIR
(snomedct.html, loinc.html: inactive, STATUS, SCALE_TYP, PROPERTY); LOINC Users' Guide for kinds of property and of
scale. The property ``answer-list`` and what each kind of property measures are from memory: what they do not know is
left open and never an error.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Any

from adapter.catalogue.lint_codes import ROLES
from adapter.catalogue.proof import CodeFault
from adapter.catalogue.uses import Use
from adapter.fhir.json import Json
from adapter.problems import Severity
from adapter.send.terminology.questions import first, parameters, part, properties

_TAG = re.compile(r"\(([^()]+)\)\s*$")
_FULL_NAME = "900000000000003001"
_DIMENSIONS = {
    "Len": "length", "Circ": "length", "Dist": "length", "Diam": "length", "Mass": "mass", "Temp": "temperature",
    "Pres": "pressure", "NRat": "frequency", "Rate": "frequency", "Time": "time", "MCnc": "mass-concentration",
    "SCnc": "substance-concentration", "SFr": "fraction", "MFr": "fraction", "VFr": "fraction", "NFr": "fraction",
    "AFr": "fraction", "Num": "count",
}  # fmt: skip
"""What a quantity under a LOINC property measures, by the dimensions of ``units.yaml``."""


def names(resource: Json) -> list[str]:
    """What an edition calls a code: its display and every designation."""
    found = [first(resource, "display"), *(part(one, "value") for one in parameters(resource, "designation"))]
    return [str(one) for one in dict.fromkeys(found) if one]


def preferred(resource: Json) -> str | None:
    """The name to send: the display, or a designation that is no full name where the display is one."""
    full = {str(part(one, "value")) for one in parameters(resource, "designation") if _is_full(one)}
    display = first(resource, "display")
    if display and display not in full and not (full and _TAG.search(str(display))):
        return str(display)
    return next((name for name in names(resource) if name not in full and name != display), None)


def _is_full(designation: Json) -> bool:
    use = part(designation, "use")
    return isinstance(use, dict) and use.get("code") == _FULL_NAME


def tag(resource: Json) -> str:
    """The semantic tag of a SNOMED CT concept, from its full name; empty where the server gives none."""
    full = [str(part(one, "value")) for one in parameters(resource, "designation") if _is_full(one)]
    for name in (*full, str(first(resource, "display") or "")):
        if found := _TAG.search(name):
            return found[1]
    return ""


def is_inactive(resource: Json) -> bool:
    """R4: the property ``inactive``; LOINC: STATUS DEPRECATED."""
    told = [str(one).casefold() for one in properties(resource, "inactive")]
    return "true" in told or "DEPRECATED" in _statuses(resource)


def _statuses(resource: Json) -> set[str]:
    return {_word(one).upper() for one in properties(resource, "STATUS", "status")}


def _word(told: Any) -> str:
    """A property's value as a word: a Coding by its display, where it has one."""
    return str(told.get("display") or told.get("code")) if isinstance(told, dict) else str(told)


def unnamed_parts(resource: Json) -> list[str]:
    """Parts of LOINC (LP codes) by which a code is told without their words, to be looked up too."""
    told = properties(resource, "SCALE_TYP", "PROPERTY")
    codes = [one.get("code") if isinstance(one, dict) and not one.get("display") else one for one in told]
    return [str(one) for one in codes if isinstance(one, str) and one.startswith("LP")]


def replacements(resource: Json) -> list[str]:
    """What LOINC says stands in the place of a code (MAP_TO)."""
    return [
        _word(one) if not isinstance(one, dict) else str(one.get("code")) for one in properties(resource, "MAP_TO")
    ]


def answer_lists(resource: Json) -> list[str]:
    """The answer lists of a LOINC question."""
    told = properties(resource, "answer-list", "AnswerList", "ANSWER_LIST")
    return [str(one.get("code")) if isinstance(one, dict) else str(one) for one in told]


def judged(uses: Sequence[Use], resource: Json, instead: Sequence[str], words: dict[str, str]) -> Iterator[CodeFault]:
    """All that the answer says against a code, which all ``uses`` are of.

    ``instead`` stands in the place of an inactive code; ``words`` are those of LOINC parts by their codes.
    """
    if is_inactive(resource):
        remedy = f"{' or '.join(instead)}, read against the item" if instead else "another code, or none"
        yield CodeFault(rule="inactive-code", severity=Severity.ERROR, what="no longer active", remedy=remedy)
    elif statuses := _statuses(resource) & {"DISCOURAGED", "TRIAL"}:
        level = Severity.WARNING if "DISCOURAGED" in statuses else Severity.INFORMATION
        what = f"its status is {', '.join(sorted(statuses)).lower()}"
        yield CodeFault(rule="code-status", severity=level, what=what, remedy="a code that is active, if one fits")
    yield from _named(uses[0], resource)
    for role, dimension, scales in dict.fromkeys((use.role, use.dimension, use.scales) for use in uses):
        if uses[0].system == "snomed":
            yield from _tagged(role, resource)
        elif uses[0].system == "loinc" and role == "question":
            yield from _scaled(scales, resource, words)
            yield from _measured(dimension, resource, words)


def _named(use: Use, resource: Json) -> Iterator[CodeFault]:
    known = {_plain(name) for name in names(resource)}
    if use.display and known and _plain(use.display) not in known:
        what = f"the edition does not call it '{use.display}'"
        yield CodeFault(rule="other-name", severity=Severity.WARNING, what=what, remedy=f"'{preferred(resource)}'")


def _plain(name: str) -> str:
    return " ".join(_TAG.sub("", name).split()).casefold()


def _tagged(role: str, resource: Json) -> Iterator[CodeFault]:
    allowed, found = ROLES.get(role, {}).get("snomed", ()), tag(resource)
    if not found:
        what = f"the server does not tell whether it is {' or '.join(allowed)}"
        yield CodeFault(rule="role-not-told", severity=Severity.INFORMATION, what=what)
    elif found not in allowed:
        what = f"it is a {found}, and stands as {role}"
        yield CodeFault(rule="wrong-role", severity=Severity.ERROR, what=what, remedy=" or ".join(allowed))


def _of_part(resource: Json, name: str, words: dict[str, str]) -> str:
    told = [_word(one) for one in properties(resource, name)]
    return words.get(told[0], told[0]) if told else ""


def _scaled(scales: frozenset[str], resource: Json, words: dict[str, str]) -> Iterator[CodeFault]:
    scale = _of_part(resource, "SCALE_TYP", words)
    if not scales or scale in scales:
        return
    if not scale:
        yield CodeFault(
            rule="scale-not-told", severity=Severity.INFORMATION, what="the server does not tell its scale"
        )
        return
    numbers = "Qn" in scales
    wrong = scale in ("Ord", "Nom", "Nar", "Doc") if numbers else scale == "Qn"
    level = Severity.ERROR if wrong else Severity.WARNING
    what = f"its scale is {scale}, and it is answered with {'a number' if numbers else 'a choice'}"
    yield CodeFault(
        rule="wrong-scale", severity=level, what=what, remedy=f"a code of scale {' or '.join(sorted(scales))}"
    )


def _measured(dimension: str, resource: Json, words: dict[str, str]) -> Iterator[CodeFault]:
    kind = _of_part(resource, "PROPERTY", words)
    known = _DIMENSIONS.get(kind)
    if dimension and known and known != dimension:
        what = f"its property is {kind}, a {known}, and its unit measures a {dimension}"
        yield CodeFault(
            rule="wrong-property", severity=Severity.ERROR, what=what, remedy="a code or a unit that fits"
        )
