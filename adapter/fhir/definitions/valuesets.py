"""Enumerates value sets of the official package; for the development tool that makes the data files."""

from __future__ import annotations

from typing import Any

from adapter.fhir.definitions.package import Definition, Package

#: code system to codes
Codes = dict[str, list[str]]


def codes_of(package: Package, url: str) -> Codes:
    """The codes of a value set by system; empty when the package alone cannot enumerate all of them."""
    compose = package.value_sets.get(url, {}).get("compose", {})
    found: dict[str, set[str]] = {}
    for include in compose.get("include", ()):
        for other in include.get("valueSet", ()):
            imported = codes_of(package, other.partition("|")[0])
            if not imported:
                return {}
            for system, codes in imported.items():
                found.setdefault(system, set()).update(codes)
        if "system" not in include:
            continue
        listed = _included(package, include)
        if not listed:
            return {}
        found.setdefault(include["system"], set()).update(listed)
    for exclude in compose.get("exclude", ()):
        found[exclude["system"]] -= _included(package, exclude)
    return {system: sorted(codes) for system, codes in sorted(found.items())}


def _included(package: Package, include: Definition) -> set[str]:
    """What one include or exclude of a value set names: listed concepts, filtered ones, or a whole system."""
    system = package.code_systems.get(include["system"], {})
    if system.get("content") not in ("complete", None):
        system = {}
    if "concept" in include:
        return {concept["code"] for concept in include["concept"]}
    codes = all_codes(system)
    for condition in include.get("filter", ()):
        if condition["op"] not in ("is-a", "descendent-of"):
            return set()
        below = _below(system, condition["value"])
        codes &= below | ({condition["value"]} if condition["op"] == "is-a" else set())
    return codes


def all_codes(concepts: Definition) -> set[str]:
    """Every code of a code system or of a concept's children; abstract ones cannot be told here and stay."""
    found = set()
    for concept in concepts.get("concept", ()):
        found |= {concept["code"]} | all_codes(concept)
    return found


def _below(system: Definition, code: str) -> set[str]:
    """The descendants of a concept: those nested in it, and those that name it in subsumedBy."""
    children: dict[str, set[str]] = {}
    _collect(system, children)
    found: set[str] = set()
    waiting = [code]
    while waiting:
        for child in children.get(waiting.pop(), set()) - found:
            found.add(child)
            waiting.append(child)
    return found


def _collect(parent: Definition, children: dict[str, set[str]]) -> None:
    for concept in parent.get("concept", ()):
        if "code" in parent:
            children.setdefault(parent["code"], set()).add(concept["code"])
        properties: list[dict[str, Any]] = concept.get("property", [])
        for entry in properties:
            if entry["code"] == "subsumedBy":
                children.setdefault(entry["valueCode"], set()).add(concept["code"])
        _collect(concept, children)
