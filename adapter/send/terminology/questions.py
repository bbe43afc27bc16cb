"""Operations of the R4 terminology service as addresses below a server's base, and their Parameters read.

FHIR R4 Terminology Service (terminology-service.html): CodeSystem/$lookup and $validate-code, ValueSet/$validate-code
and $expand, ConceptMap/$translate. All parameters are simple, so each can be asked by GET, alone or in a batch.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any
from urllib.parse import quote, urlencode

from adapter.fhir.json import Json

REPLACED_BY = "http://snomed.info/sct?fhir_cm=900000000000526001"
SAME_AS = "http://snomed.info/sct?fhir_cm=900000000000527005"
POSSIBLY = "http://snomed.info/sct?fhir_cm=900000000000523009"
"""Implicit concept maps of SNOMED CT from inactive concepts to those in their place (R4 snomedct.html)."""


def _asked(operation: str, parameters: Sequence[tuple[str, str | None]]) -> str:
    return f"{operation}?{urlencode([(n, v) for n, v in parameters if v is not None], quote_via=quote)}"


_ALWAYS = ("version", "display", "designation", "parent")
_WANTED = {
    "http://snomed.info/sct": ("inactive",),
    "http://loinc.org": ("STATUS", "SCALE_TYP", "PROPERTY", "MAP_TO", "answer-list"),
}
"""Properties that a server is asked to tell; where none are named, it chooses itself (R4 $lookup, property)."""


def lookup(system: str, code: str, version: str | None = None) -> str:
    """What an edition knows of a code: names, whether it is active, its properties."""
    wanted = [("property", name) for name in (*_ALWAYS, *_WANTED.get(system, ("inactive",)))]
    return _asked("CodeSystem/$lookup", [("system", system), ("code", code), ("version", version), *wanted])


def validate_code(system: str, code: str, version: str | None = None) -> str:
    """Whether a code system has a code, for systems that are a grammar."""
    return _asked("CodeSystem/$validate-code", [("url", system), ("code", code), ("version", version)])


def in_value_set(value_set: str, system: str, code: str) -> str:
    """Whether a value set has a code."""
    return _asked("ValueSet/$validate-code", [("url", value_set), ("system", system), ("code", code)])


def expand(value_set: str, words: str, count: int) -> str:
    """The codes of a value set whose names have these words."""
    return _asked("ValueSet/$expand", [("url", value_set), ("filter", words), ("count", str(count))])


def translate(
    concept_map: str, system: str, code: str, target: str | None = None, reverse: bool | None = None
) -> str:
    """What a concept map says of a code; ``reverse``: what is mapped to it."""
    back = None if reverse is None else str(reverse).lower()
    named = [("url", concept_map), ("system", system), ("code", code), ("targetsystem", target), ("reverse", back)]
    return _asked("ConceptMap/$translate", [(name, value) for name, value in named])


def parameters(resource: Json, name: str) -> Iterator[Json]:
    """The parameters of this name, in order."""
    for one in resource.get("parameter") or ():
        if isinstance(one, dict) and one.get("name") == name:
            yield one


def value(parameter: Json | None) -> Any:
    """The value of a parameter, whatever its type; None where it has none."""
    return next((content for key, content in (parameter or {}).items() if key.startswith("value")), None)


def first(resource: Json, name: str) -> Any:
    """The value of the first parameter of this name."""
    return value(next(parameters(resource, name), None))


def part(parameter: Json, name: str) -> Any:
    """The value of a part of a parameter."""
    return value(next((p for p in parameter.get("part") or () if p.get("name") == name), None))


def properties(resource: Json, *names: str) -> list[Any]:
    """The values of a property of a looked-up code, by any of its names, whichever way they are cased."""
    wanted = {name.casefold() for name in names}
    found = []
    for one in parameters(resource, "property"):
        if str(part(one, "code")).casefold() in wanted:
            told = part(one, "value")
            found.append(told if told is not None else part(one, "description"))
    return [one for one in found if one is not None]
