"""Search: parameters of a request become one SQL statement over the index.

FHIR R4 search (search.html): repeated parameters are ANDed, values parted by commas are ORed (3.1.1.4),
``\\,`` ``\\|`` ``\\$`` and ``\\\\`` are escapes. Modifiers and chaining are refused (3.1.1.4.4), never ignored:
a search that ignored them would find the wrong resources.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from urllib.parse import parse_qsl

from adapter.sandbox import dates
from adapter.sandbox.include import Include, read_include
from adapter.sandbox.parameters import PARAMETERS, ParameterKind, SearchParameter, fits
from adapter.sandbox.refusal import Refusal
from adapter.sandbox.store import Session, Statement

DEFAULT_COUNT, MAX_COUNT = 50, 1000

#: Parameters that steer the answer, not the choice of resources (R4 search.html; http.html 3.1.0.1).
_RESULT_PARAMETERS = frozenset(
    {"_count", "_format", "_pretty", "_after", "_sort", "_include", "_include:iterate", "_revinclude"}
)

# ruff: noqa: S608 (SQL is put together from constants of this module only; every value is an argument)

# What the conditions look into: tables of the store, or columns of the resources in the shape of such a table.
_PRESENT = "resource WHERE body IS NOT NULL"
_ROWS = {
    "token": "token",
    "span": "span",
    "id": f"(SELECT type, '_id' AS param, id AS value, '' AS system, id FROM {_PRESENT})",
    # lastUpdated has milliseconds (R4 search, section 3.1.1.4.7: the span that the value shows).
    "updated": f"(SELECT type, '_lastUpdated' AS param, updated AS low, updated + 1000 AS high, id FROM {_PRESENT})",
}

# The comparison of the span [low, high) of a resource with that of the search value, each with its
# arguments in order (R4 search, section 3.1.1.4.5, prefixes).
_COMPARISONS: dict[str, str] = {
    "eq": "(low >= :low AND high <= :high)",
    "ne": "NOT (low >= :low AND high <= :high)",
    "gt": "high > :high",
    "lt": "low < :low",
    "ge": "(high > :high OR (low >= :low AND high <= :high))",
    "le": "(low < :low OR (low >= :low AND high <= :high))",
    "sa": "low >= :high",
    "eb": "high <= :low",
}
_PREFIXED = re.compile(r"(?P<prefix>[a-z]{2})?(?P<date>.+)", re.DOTALL)
_REFERENCE = re.compile(r"[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}")


@dataclass(slots=True)
class Query:
    """A search, understood: the statement that selects ids, and what was made of the request.

    ``used`` are the parameters that took part, for the self link (R4 search, server conformance: the server says
    which it used); ``ignored`` the names of those it does not know.
    """

    type: str
    sql: str = ""
    arguments: list[str | int] = field(default_factory=list)
    used: list[tuple[str, str]] = field(default_factory=list)
    ignored: list[str] = field(default_factory=list)
    count: int = DEFAULT_COUNT
    sort: list[Statement] = field(default_factory=list)
    after: tuple[int, ...] = ()
    includes: list[Include] = field(default_factory=list)


def parse(type_: str, pairs: Iterable[tuple[str, str]], *, base: str = "", strict: bool = False) -> Query:
    """Understand the parameters of a search on ``type_``.

    ``base`` is the server's own address, which absolute references may begin with. An unknown parameter is
    left out and named in ``ignored``, or refused with 400 when ``strict`` (http.html 3.1.0.9, Prefer:
    handling). Raises :class:`Refusal` 400 for a value or a modifier that cannot be used.
    """
    query = Query(type_)
    known = PARAMETERS[type_]
    statements = []
    for name, value in pairs:
        if name in _RESULT_PARAMETERS:
            _result_parameter(query, name, value)
            continue
        parameter = known.get(name)
        if parameter is None:
            _unknown(query, name, known, strict)
            continue
        if not value:
            continue  # an empty value says nothing (R4 search.html)
        sql, arguments = _condition(parameter, value, base)
        rows = _ROWS[_table(parameter)]
        statements.append(f"SELECT DISTINCT id FROM {rows} WHERE type = ? AND param = ? AND ({sql})")
        query.arguments += [type_, parameter.rows_of or name, *arguments]
        query.used.append((name, value))
    if query.after and len(query.after) != len(query.sort) + 1:
        raise Refusal(400, "value", "_after and _sort do not belong together; follow the links of the bundle")
    if not statements:
        statements.append(f"SELECT id FROM {_PRESENT} AND type = ?")
        query.arguments.append(type_)
    query.sql = " INTERSECT ".join(statements)
    return query


def matches(session: Session, type_: str, criteria: str) -> list[str]:
    """The ids that a conditional request's criteria find (http.html 3.1.0.4.3, 3.1.0.8.1, 3.1.0.11.2).

    Every part of the criteria must be understood and at least one must choose: else what is meant for one
    resource would touch another. Raises :class:`Refusal` 400 or 412.
    """
    query = _criteria(type_, criteria)
    return sorted(session.ids(query.sql, query.arguments))


@lru_cache(maxsize=1024)
def _criteria(type_: str, criteria: str) -> Query:
    """Criteria understood; kept for a while, since a transaction looks for each more than once."""
    pairs = parse_qsl(criteria.removeprefix("?"), keep_blank_values=True)
    query = parse(type_, [pair for pair in pairs if pair[0] not in _RESULT_PARAMETERS], strict=True)
    if not query.used:
        raise Refusal(412, "incomplete", f"criteria on {type_} that choose nothing: name a search parameter")
    return query


def split(text: str) -> list[str]:
    """Split at unescaped commas; the parts keep their escapes, empty parts are dropped."""
    return re.findall(r"(?:\\.|[^,\\])+", text)


def unescape(text: str) -> str:
    """Take the escapes of R4 search (escaping search parameters) out of a value."""
    return re.sub(r"\\([,|$\\])", r"\1", text)


def _unknown(query: Query, name: str, known: dict[str, SearchParameter], strict: bool) -> None:
    bare = re.split("[:.]", name)[0]
    if bare != name and bare in known:
        raise Refusal(400, "not-supported", f"search parameter {name}: modifiers and chains are not supported")
    if strict:
        names = ", ".join(sorted(known))
        raise Refusal(400, "not-supported", f"unknown search parameter {name} on {query.type}; known: {names}")
    query.ignored.append(name)


def _result_parameter(query: Query, name: str, value: str) -> None:
    match name:
        case "_after":
            place = re.fullmatch(r"-?\d{1,19}(,-?\d{1,19}){0,9}", value, re.ASCII)
            query.after = tuple(int(part) for part in value.split(",")) if place else ()
            if not place or any(abs(number) >= 2**63 for number in query.after):
                raise Refusal(400, "value", "_after is not from a link of this server")
            return
        case "_count":
            if not re.fullmatch(r"\d{1,15}", value, re.ASCII):
                raise Refusal(400, "value", "_count must be a whole number of 0 or more")
            query.count = min(int(value), MAX_COUNT)
        case "_sort":
            query.sort += [_key(query.type, part) for part in value.split(",") if part]
        case "_include" | "_include:iterate" | "_revinclude":
            query.includes.append(read_include(name, value))
    query.used.append((name, value))


def _key(type_: str, part: str) -> Statement:
    """One sort key (R4 search, section 3.1.1.5.1): the earliest value going up, the latest going down."""
    name = part.removeprefix("-")
    parameter = PARAMETERS[type_].get(name)
    if parameter is None or parameter.kind is not ParameterKind.DATE:
        dated = ", ".join(p.name for p in PARAMETERS[type_].values() if p.kind is ParameterKind.DATE)
        raise Refusal(400, "not-supported", f"_sort on {type_} takes {dated}, with - before it for the latest first")
    number = "min(low)" if name == part else "-max(high)"
    rows = _ROWS[_table(parameter)]
    return f"SELECT id, {number} AS k FROM {rows} WHERE type = ? AND param = ? GROUP BY id", (type_, name)


def _table(parameter: SearchParameter) -> str:
    return parameter.column or ("span" if parameter.kind is ParameterKind.DATE else "token")


def _condition(parameter: SearchParameter, value: str, base: str) -> tuple[str, list[str | int]]:
    """The OR of the comma-parted values."""
    make = {ParameterKind.TOKEN: _token, ParameterKind.REFERENCE: _reference, ParameterKind.DATE: _date}[
        parameter.kind
    ]
    conditions, arguments = [], []
    for part in split(value):
        sql, more = make(parameter, part, base)
        conditions.append(sql)
        arguments += more
    if not conditions:
        raise Refusal(400, "value", f"search parameter {parameter.name} has only empty values")
    return " OR ".join(conditions), arguments


def _token(parameter: SearchParameter, part: str, base: str) -> tuple[str, list[str | int]]:
    """``value``, ``system|value``, ``|value`` (no system), ``system|`` (R4 search, section 3.1.1.4.10)."""
    bar = re.search(r"(?<!\\)(?:\\\\)*\|", part)
    if bar is None:
        return "value = ?", [unescape(part)]
    system, code = unescape(part[: bar.end() - 1]), unescape(part[bar.end() :])
    if not code:
        return "system = ?", [system]
    return "value = ? AND system = ?", [code, system]


def _reference(parameter: SearchParameter, part: str, base: str) -> tuple[str, list[str | int]]:
    """``id``, ``Type/id`` or an absolute address (R4 search, section 3.1.1.4.12).

    A bare id fits any type the parameter may point to; an address of this server is the same as its
    relative form.
    """
    text = unescape(part)
    if base and text.startswith(f"{base}/"):
        text = text[len(base) + 1 :]
    if "/" in text:
        return ("value = ?", [text]) if fits(parameter, text) else ("0", [])
    if parameter.target:
        return "value = ?", [f"{parameter.target}/{text}"]
    targets = [f"{type_}/{text}" for type_ in PARAMETERS]
    return f"value IN ({', '.join('?' * len(targets))})", list(targets)


def _date(parameter: SearchParameter, part: str, base: str) -> tuple[str, list[str | int]]:
    match = _PREFIXED.fullmatch(unescape(part))
    prefix = (match["prefix"] or "eq") if match else ""
    try:
        if match is None or prefix not in _COMPARISONS:
            raise ValueError("no such prefix")
        low, high = dates.span(match["date"])
    except ValueError:
        raise Refusal(
            400,
            "value",
            f"search parameter {parameter.name} needs a date such as 2024-05-01 or"
            " ge2024-05-01T10:00:00%2B02:00 (a + in a URL is written %2B); prefixes: " + ", ".join(_COMPARISONS),
        ) from None
    sql = _COMPARISONS[prefix]
    bounds = {":low": low, ":high": high}
    return re.sub(r":low|:high", "?", sql), [bounds[name] for name in re.findall(r":low|:high", sql)]
