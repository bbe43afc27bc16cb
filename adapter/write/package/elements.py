"""Short ways to write elements of a differential (FHIR R4 ElementDefinition, section 2.27)."""

from __future__ import annotations

from typing import Any

from adapter.fhir.json import Json

STRUCTURE = "http://hl7.org/fhir/StructureDefinition/"


def element(identifier: str, **facts: Any) -> Json:
    """One element by its id; ``min_`` and ``max_`` are its cardinality, ``slice_`` the name of the slice it is."""
    path = ".".join(step.partition(":")[0] for step in identifier.split("."))
    found: Json = {"id": identifier, "path": path}
    if ":" in identifier.rpartition(".")[2]:
        found["sliceName"] = identifier.rpartition(":")[2]
    for key in ("min_", "max_"):
        if key in facts:
            found[key.rstrip("_")] = facts.pop(key)
    return {**found, **facts}


def sliced(identifier: str, discriminator: str, kind: str = "value") -> Json:
    """An element whose repetitions are told apart, others allowed."""
    told = [{"type": kind, "path": discriminator}]
    return element(identifier, slicing={"discriminator": told, "rules": "open"})


def of_system(holder: str, name: str, system: str, value_set: str, min_: int = 0) -> list[Json]:
    """A slice of ``coding``: the one of a code system, its code from a value set."""
    own = f"{holder}.coding:{name}"
    return [
        element(own, min_=min_, max_="1", binding={"strength": "required", "valueSet": value_set}),
        element(f"{own}.system", min_=1, fixedUri=system),
        element(f"{own}.code", min_=1),
    ]


def types(*codes: str) -> list[Json]:
    """Types by their names."""
    return [{"code": code} for code in codes]


def reference(*targets: str) -> list[Json]:
    """A reference to resources of R4, or to profiles by their URL."""
    urls = [target if ":" in target else STRUCTURE + target for target in targets]
    return [{"code": "Reference", "targetProfile": urls}]


def extension(url: str) -> list[Json]:
    """An extension by its definition."""
    return [{"code": "Extension", "profile": [url]}]


def constraint(key: str, human: str, expression: str, severity: str = "error") -> Json:
    """An invariant of ours."""
    return {"key": key, "severity": severity, "human": human, "expression": expression}
