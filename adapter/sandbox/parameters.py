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


class ParameterKind(StrEnum):
    """The R4 search parameter types in use (value set search-param-type)."""

    TOKEN = "token"  # noqa: S105 (a kind of search parameter)
    REFERENCE = "reference"
    DATE = "date"


@dataclass(frozen=True, slots=True)
class SearchParameter:
    """One search parameter of one resource type.

    ``paths`` are dotted element paths; ``target`` restricts a reference parameter to one type (``patient``).
    With ``rows_of`` the index rows are those of another parameter, with ``column`` the value stands in a column
    that every resource has.
    """

    name: str
    kind: ParameterKind
    paths: tuple[str, ...]
    target: str = ""
    rows_of: str = ""
    column: str = ""


def _token(name: str, *paths: str) -> SearchParameter:
    return SearchParameter(name, ParameterKind.TOKEN, paths or (name,))


def _reference(name: str, *paths: str) -> SearchParameter:
    return SearchParameter(name, ParameterKind.REFERENCE, paths or (name,))


def _date(name: str, *paths: str) -> SearchParameter:
    return SearchParameter(name, ParameterKind.DATE, paths or (name,))


_ID = SearchParameter("_id", ParameterKind.TOKEN, ("id",), column="id")
_LAST_UPDATED = SearchParameter("_lastUpdated", ParameterKind.DATE, ("meta.lastUpdated",), column="updated")
_IDENTIFIER = _token("identifier")
_CODE = _token("code")
_CATEGORY = _token("category")
_STATUS = _token("status")
_SUBJECT = _reference("subject")
_ENCOUNTER = _reference("encounter")
_PERFORMER = _reference("performer")
_DATE = _date("date")


def _patient(path: str, rows_of: str = "subject") -> SearchParameter:
    return SearchParameter("patient", ParameterKind.REFERENCE, (path,), "Patient", rows_of)


_TABLE: dict[str, tuple[SearchParameter, ...]] = {
    "Communication": (
        *(_IDENTIFIER, _CATEGORY, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER, _date("sent")),
        *(_reference("based-on", "basedOn"), _reference("recipient"), _reference("sender")),
    ),
    "CommunicationRequest": (
        *(_IDENTIFIER, _token("group-identifier", "groupIdentifier"), _CATEGORY, _STATUS, _token("priority")),
        *(_SUBJECT, _patient("subject"), _ENCOUNTER, _date("authored", "authoredOn")),
    ),
    "Composition": (_IDENTIFIER, _CATEGORY, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER, _DATE),
    "Device": (_IDENTIFIER, _STATUS, _patient("patient", rows_of="")),
    "DiagnosticReport": (
        *(_IDENTIFIER, _CODE, _CATEGORY, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER, _PERFORMER),
        *(_date("date", "effectiveDateTime", "effectivePeriod"), _date("issued"), _reference("result")),
    ),
    "DocumentReference": (
        *(_token("identifier", "masterIdentifier", "identifier"), _CATEGORY, _STATUS, _SUBJECT),
        *(_patient("subject"), _reference("encounter", "context.encounter"), _DATE),
    ),
    "Encounter": (
        *(_IDENTIFIER, _STATUS, _SUBJECT, _patient("subject"), _date("date", "period")),
        *(_reference("part-of", "partOf"), _reference("location", "location.location")),
    ),
    "Location": (_IDENTIFIER, _STATUS),
    "Observation": (
        *(_IDENTIFIER, _CODE, _CATEGORY, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER, _PERFORMER),
        _date("date", "effectiveDateTime", "effectivePeriod", "effectiveInstant"),
        *(_token("value-concept", "valueCodeableConcept"), _token("data-absent-reason", "dataAbsentReason")),
        *(_reference("has-member", "hasMember"), _reference("derived-from", "derivedFrom")),
    ),
    "Organization": (_IDENTIFIER,),
    "Patient": (_IDENTIFIER, _date("birthdate", "birthDate"), _token("gender")),
    "Practitioner": (_IDENTIFIER,),
    "PractitionerRole": (_IDENTIFIER, _date("date", "period")),
    "Provenance": (
        *(_reference("target"), _patient("target", "target"), _date("recorded")),
        _reference("agent", "agent.who"),
    ),
    "QuestionnaireResponse": (_IDENTIFIER, _STATUS, _SUBJECT, _patient("subject"), _ENCOUNTER),
    "RelatedPerson": (_IDENTIFIER, _patient("patient", rows_of="")),
}

#: Search parameters by resource type and name; the types are those the server keeps.
PARAMETERS: dict[str, dict[str, SearchParameter]] = {
    type_: {p.name: p for p in (_ID, _LAST_UPDATED, *parameters)} for type_, parameters in _TABLE.items()
}


def index_rows(resource: dict[str, Any]) -> list[IndexRow]:
    """All of a resource that is searched for in the index."""
    rows = (
        row
        for parameter in PARAMETERS[resource["resourceType"]].values()
        if not parameter.column and not parameter.rows_of
        for path in parameter.paths
        for value in values(resource, path)
        for row in _INDEXERS[parameter.kind](parameter, value)
    )
    return list(dict.fromkeys(rows))


def linked(resource: dict[str, Any], parameter: SearchParameter) -> Iterator[str]:
    """The literal references that a reference parameter finds in a resource, without their versions."""
    for path in parameter.paths:
        for value in values(resource, path):
            for row in _reference_rows(parameter, value):
                if fits(parameter, row.value):
                    yield row.value


def fits(parameter: SearchParameter, reference: str) -> bool:
    """Whether a reference is to the type that the parameter is restricted to, if it is."""
    return not parameter.target or reference.rpartition("/")[0].rpartition("/")[2] == parameter.target


def values(node: Any, path: str) -> Iterator[Any]:
    """Everything that a dotted path leads to; lists are walked through."""
    first, _, rest = path.partition(".")
    if isinstance(node, list):
        for element in node:
            yield from values(element, path)
    elif isinstance(node, dict) and first in node:
        found = node[first]
        if rest:
            yield from values(found, rest)
        elif isinstance(found, list):
            yield from found
        else:
            yield found


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
        yield IndexRow(parameter.name, value=reference.partition("/_history/")[0])


def _date_rows(parameter: SearchParameter, value: Any) -> Iterator[IndexRow]:
    try:
        low, high = (
            dates.span(value) if isinstance(value, str) else dates.period(value.get("start"), value.get("end"))
        )
    except ValueError:
        return  # a date that validation let pass and that has no place in time cannot be found by time
    yield IndexRow(parameter.name, low=low, high=high)


_INDEXERS = {
    ParameterKind.TOKEN: _token_rows,
    ParameterKind.REFERENCE: _reference_rows,
    ParameterKind.DATE: _date_rows,
}
