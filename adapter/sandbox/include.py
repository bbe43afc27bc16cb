"""What a search brings along: ``_include``, ``_include:iterate``, ``_revinclude`` (R4 search, section 3.1.1.5.4)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from adapter.sandbox.parameters import PARAMETERS, ParameterKind, SearchParameter, linked
from adapter.sandbox.refusal import Refusal
from adapter.sandbox.store import Session, Version


@dataclass(frozen=True, slots=True)
class Include:
    """One inclusion: along ``parameter`` of resources of type ``source``, to ``target`` only where it is set."""

    source: str
    parameter: SearchParameter
    target: str = ""
    iterate: bool = False
    reverse: bool = False


def read_include(name: str, value: str) -> Include:
    """Understand ``Observation:subject`` or ``Observation:subject:Patient``; 400 where that is not known here."""
    source, _, rest = value.partition(":")
    search, _, target = rest.partition(":")
    parameter = PARAMETERS.get(source, {}).get(search)
    if parameter is None or parameter.kind is not ParameterKind.REFERENCE or (target and target not in PARAMETERS):
        known = [
            f"{type_}:{p.name}"
            for type_, by_name in PARAMETERS.items()
            for p in by_name.values()
            if p.kind is ParameterKind.REFERENCE
        ]
        raise Refusal(400, "not-supported", f"{name} {value} is not supported; supported are {', '.join(known)}")
    return Include(source, parameter, target, iterate=name.endswith(":iterate"), reverse=name == "_revinclude")


def included(session: Session, matches: Iterable[Version], includes: Iterable[Include], base: str) -> list[Version]:
    """The resources that the matches lead to, each once and none that is itself a match.

    An inclusion with ``iterate`` is followed from what was included as well.
    """
    fresh = list(matches)
    seen = {(version.type, version.id) for version in fresh}
    found: list[Version] = []
    chosen = list(includes)
    while fresh and chosen:
        more: list[Version] = []
        for include in chosen:
            for version in fresh:
                for type_, id_ in _leads_to(session, version, include, base):
                    if (type_, id_) not in seen:
                        seen.add((type_, id_))
                        current = session.current(type_, id_)
                        if current is not None and current.resource is not None:
                            more.append(current)
        found += more
        fresh, chosen = more, [include for include in chosen if include.iterate]
    return found


def _leads_to(session: Session, version: Version, include: Include, base: str) -> list[tuple[str, str]]:
    """Types and ids along one inclusion; an address of this server is the same as its relative form."""
    if include.reverse:
        if include.target not in ("", version.type):
            return []
        rows = include.parameter.rows_of or include.parameter.name
        here = f"{version.type}/{version.id}"
        found = session.referring(include.source, rows, (here, f"{base}/{here}"))
        return [(include.source, id_) for id_ in found]
    if version.type != include.source or version.resource is None:
        return []
    parts = [r.removeprefix(f"{base}/").split("/") for r in linked(version.resource, include.parameter)]
    return [(p[0], p[1]) for p in parts if len(p) == 2 and include.target in ("", p[0])]
