"""Our snapshots against the official ones (hl7.fhir.r4.core 4.0.1, CC0): what a profile leaves alone is as in R4."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import Catalogue
from adapter.fhir.definitions.package import Package
from adapter.write.package import definitions
from adapter.write.package.snapshot import snapshot

Json = dict[str, Any]
TYPES = (
    *("Observation", "Patient", "RelatedPerson", "Practitioner", "Organization", "Encounter", "Device"),
    *("DiagnosticReport", "CommunicationRequest", "Provenance", "Composition", "Extension"),
)


@pytest.fixture(scope="module")
def official(fhir_package: Path) -> Package:
    return Package(fhir_package)


def facts(element: Json) -> Json:
    """What decides whether a resource is valid."""
    binding = element.get("binding", {})
    strong = binding if binding.get("strength") in ("required", "extensible") else {}
    return {
        "id": element["id"],
        "path": element["path"],
        "min": element["min"],
        "max": element["max"],
        "base": element["base"],
        "types": [
            (t["code"], sorted(t.get("targetProfile", [])) if t["code"] == "Reference" else [], t.get("profile", []))
            for t in element.get("type", [])
        ],
        "content": element.get("contentReference"),
        "modifier": element.get("isModifier", False),
        "binding": (strong.get("strength"), strong.get("valueSet")),
        "constraints": {c["key"]: (c["severity"], c["expression"]) for c in element.get("constraint", [])},
    }


@pytest.mark.parametrize("name", TYPES)
def test_a_snapshot_without_a_differential_is_that_of_r4(name: str, official: Package) -> None:
    ours = snapshot(name)
    theirs = official.structures[name]["snapshot"]["element"]
    assert [e["id"] for e in ours] == [e["id"] for e in theirs]
    for one, other in zip(ours, theirs, strict=True):
        assert facts(one) == facts(other), one["id"]


def test_every_element_of_a_snapshot_is_defined_and_based(catalogue: Catalogue) -> None:
    """R4 sdf-3 and sdf-8b: definition, min, max and base on every element; a slice stands after what it slices."""
    for one in definitions(catalogue):
        if one["resourceType"] != "StructureDefinition":
            continue
        seen: set[str] = set()
        for element in one["snapshot"]["element"]:
            assert {"definition", "min", "max", "base"} <= element.keys(), element["id"]
            assert element["id"] not in seen
            whole = element["id"].rpartition(":")[0] if "sliceName" in element else ""
            assert not whole or whole in seen
            seen.add(element["id"])
        assert {element["id"] for element in one["differential"]["element"]} <= seen
