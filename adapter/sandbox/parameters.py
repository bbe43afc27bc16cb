"""The search parameters the server knows, and what each finds in a resource.

Names, types and elements are those of the R4 search parameter registry (searchparameter-registry.html);
the table is the single source for indexing, for searching and for the CapabilityStatement.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from adapter.sandbox import dates
from adapter.sandbox.store import IndexRow


class Kind(StrEnum):
    """The R4 search parameter types in use (value set search-param-type)."""

    TOKEN = "token"  # noqa: S105 (a kind of search parameter)
    REFERENCE = "reference"
    DATE = "date"


@dataclass(frozen=True, slots=True)
class SearchParameter:
    """One search parameter of one resource type.

    ``paths`` are dotted element paths; ``target`` restricts a reference parameter to one type (``patient``).
    """

    name: str
    kind: Kind
    paths: tuple[str, ...]
    target: str = ""


def _token(name: str, *paths: str) -> SearchParameter:
    return SearchParameter(name, Kind.TOKEN, paths or (name,))


def _reference(name: str, *paths: str, target: str = "") -> SearchParameter:
    return SearchParameter(name, Kind.REFERENCE, paths or (name,), target)


def _date(name: str, *paths: str) -> SearchParameter:
    return SearchParameter(name, Kind.DATE, paths or (name,))


_ID = _token("_id", "id")
_IDENTIFIER = _token("identifier")
_CODE = _token("code")
_CATEGORY = _token("category")
_STATUS = _token("status")
_SUBJECT = _reference("subject")
_ENCOUNTER = _reference("encounter")
_DATE = _date("date")


def _patient(path: str) -> SearchParameter:
    return _reference("patient", path, target="Patient")


_TABLE: dict[str, tuple[SearchParameter, ...]] = {
    "CommunicationRequest": (
        *(_IDENTIFIER, _token("group-identifier", "groupIdentifier"), _CATEGORY, _STATUS, _token("priority")),
        *(_SUBJECT, _patient("subject"), _ENCOUNTER, _date("authored", "authoredOn")),
    ),
    "Composition": (_IDENTIFIER, _CATEGORY, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER, _DATE),
    "Device": (_IDENTIFIER, _STATUS, _patient("patient")),
    "DiagnosticReport": (
        *(_IDENTIFIER, _CODE, _CATEGORY, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER),
        _date("date", "effectiveDateTime", "effectivePeriod"),
    ),
    "DocumentReference": (
        *(_token("identifier", "masterIdentifier", "identifier"), _CATEGORY, _STATUS, _SUBJECT),
        *(_patient("subject"), _reference("encounter", "context.encounter"), _DATE),
    ),
    "Encounter": (_IDENTIFIER, _STATUS, _SUBJECT, _patient("subject"), _date("date", "period")),
    "Location": (_IDENTIFIER, _STATUS),
    "Observation": (
        *(_IDENTIFIER, _CODE, _CATEGORY, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER),
        _date("date", "effectiveDateTime", "effectivePeriod", "effectiveInstant"),
    ),
    "Organization": (_IDENTIFIER,),
    "Patient": (_IDENTIFIER,),
    "Practitioner": (_IDENTIFIER,),
    "PractitionerRole": (_IDENTIFIER, _date("date", "period")),
    "Provenance": (_reference("target"), _patient("target")),
    "QuestionnaireResponse": (_IDENTIFIER, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER),
    "RelatedPerson": (_IDENTIFIER, _patient("patient")),
}

#: Search parameters by resource type and name; the types are those the server keeps.
PARAMETERS: dict[str, dict[str, SearchParameter]] = {
    type_: {p.name: p for p in (_ID, *parameters)} for type_, parameters in _TABLE.items()
}


def index_rows(resource: dict[str, Any]) -> list[IndexRow]:
    """All that can be searched for in a resource that has its ``id``."""
    rows = (
        row
        for parameter in PARAMETERS[resource["resourceType"]].values()
        for path in parameter.paths
        for value in _values(resource, path.split("."))
        for row in _INDEXERS[parameter.kind](parameter, value)
    )
    return list(dict.fromkeys(rows))


def _values(node: Any, path: list[str]) -> Iterator[Any]:
    """Everything a path leads to; lists are walked through."""
    if isinstance(node, list):
        for element in node:
            yield from _values(element, path)
    elif not path:
        yield node
    elif isinstance(node, dict) and path[0] in node:
        yield from _values(node[path[0]], path[1:])


def _token_rows(parameter: SearchParameter, value: Any) -> Iterator[IndexRow]:
    """Code, Coding, CodeableConcept or Identifier (R4 search, section 3.1.1.4.10, token)."""
    if isinstance(value, str):
        yield IndexRow(parameter.name, value=value)
    elif "coding" in value:
        for coding in value["coding"]:
            yield from _token_rows(parameter, coding)
    else:
        code = value.get("code") or value.get("value")
        if isinstance(code, str):
            yield IndexRow(parameter.name, system=value.get("system", ""), value=code)


def _reference_rows(parameter: SearchParameter, value: Any) -> Iterator[IndexRow]:
    """A literal reference, without its version (R4 search, section 3.1.1.4.12, reference)."""
    reference = value.get("reference")
    if isinstance(reference, str):
        reference = reference.partition("/_history/")[0]
        if not parameter.target or reference.rpartition("/")[0].rpartition("/")[2] == parameter.target:
            yield IndexRow(parameter.name, value=reference)


def _date_rows(parameter: SearchParameter, value: Any) -> Iterator[IndexRow]:
    try:
        low, high = (
            dates.span(value) if isinstance(value, str) else dates.period(value.get("start"), value.get("end"))
        )
    except ValueError:
        return  # a date that validation let pass and that has no place in time cannot be found by time
    yield IndexRow(parameter.name, low=low, high=high)


_INDEXERS = {Kind.TOKEN: _token_rows, Kind.REFERENCE: _reference_rows, Kind.DATE: _date_rows}
