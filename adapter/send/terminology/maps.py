"""The package's ConceptMaps there and back, on a server that holds them (R4 conceptmap-operation-translate.html)."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from adapter.catalogue import Catalogue
from adapter.problems import Layer, Problem, Severity
from adapter.send.terminology.asking import Reply, Terminology
from adapter.send.terminology.questions import first, parameters, part, translate
from adapter.write.package import definitions


class Mapped(NamedTuple):
    """One element of a map and one of its targets; an empty target: the element is unmatched."""

    url: str
    source_system: str
    source: str
    target_system: str
    target: str
    equivalence: str


def translated(catalogue: Catalogue, terminology: Terminology) -> tuple[int, list[Problem]]:
    """How many mappings there are, and what the server says otherwise: another target or grade, or no way back."""
    pairs = list(_mapped(catalogue))
    there = terminology.ask([translate(m.url, m.source_system, m.source, m.target_system) for m in pairs])
    with_target = [one for one in pairs if one.target]
    back = terminology.ask(
        [translate(m.url, m.target_system, m.target, m.source_system, reverse=True) for m in with_target]
    )
    problems = [p for m, reply in zip(pairs, there, strict=True) for p in _there(m, reply)]
    sources: dict[tuple[str, str], set[str]] = {}
    for one in with_target:
        sources.setdefault((one.url, one.target), set()).add(one.source)
    problems += [
        p for m, reply in zip(with_target, back, strict=True) for p in _back(m, reply, sources[m.url, m.target])
    ]
    return len(pairs), problems


def _mapped(catalogue: Catalogue) -> Iterator[Mapped]:
    for one in definitions(catalogue):
        if one["resourceType"] != "ConceptMap":
            continue
        for group in one["group"]:
            for element in group["element"]:
                for target in element["target"]:
                    yield Mapped(
                        *(one["url"], group["source"], element["code"], group["target"]),
                        *(target.get("code", ""), target["equivalence"]),
                    )


def _matches(reply: Reply) -> dict[str, str]:
    """The codes that a translation gives, each with its equivalence."""
    found = {}
    for match in parameters(reply.resource, "match"):
        concept = part(match, "concept")
        if isinstance(concept, dict) and concept.get("code"):
            found[str(concept["code"])] = str(part(match, "equivalence") or "")
    return found


def _there(mapped: Mapped, reply: Reply) -> Iterator[Problem]:
    if not reply.answered:
        yield _problem(
            mapped, "map-not-held", f"the server does not translate {mapped.source} (status {reply.status})"
        )
        return
    given = _matches(reply)
    if not mapped.target:
        if any(grade not in ("unmatched", "disjoint") for grade in given.values()):
            yield _problem(
                mapped, "map-differs", f"{mapped.source} is unmatched, the server gives {', '.join(given)}"
            )
    elif mapped.target not in given:
        yield _problem(mapped, "map-differs", f"{mapped.source} does not lead to {mapped.target}")
    elif given[mapped.target] and given[mapped.target] != mapped.equivalence:
        what = f"{mapped.source} to {mapped.target} is {mapped.equivalence}, the server says {given[mapped.target]}"
        yield _problem(mapped, "map-differs", what)


def _back(mapped: Mapped, reply: Reply, sources: set[str]) -> Iterator[Problem]:
    """``sources`` are all that lead to this target: of several a server may name one alone (HAPI FHIR does)."""
    given = _matches(reply) if reply.answered and str(first(reply.resource, "result")).lower() == "true" else {}
    if mapped.source in given:
        return
    if given and given.keys() < sources:
        what = f"of {len(sources)} that lead to {mapped.target} the server names {', '.join(given)} alone"
        yield Problem(Severity.INFORMATION, Layer.TERMINOLOGY, "one-way-back", what, where=mapped.url)
        return
    yield _problem(mapped, "no-way-back", f"{mapped.target} does not lead back to {mapped.source}")


def _problem(mapped: Mapped, rule: str, what: str) -> Problem:
    remedy = "install the package of this catalogue (newborn-adapter package) on the server"
    return Problem(Severity.ERROR, Layer.TERMINOLOGY, rule, what, remedy, where=mapped.url)
