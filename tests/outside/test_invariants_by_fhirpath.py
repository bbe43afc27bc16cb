"""The constraints of R4 on what we map, by fhirpathpy over the expressions of the official package.

Source: hl7.fhir.r4.core 4.0.1, ``constraint.expression`` of each element. fhirpathpy lacks hasValue() and
htmlChecks() and raises on dom-3, so ele-1, per-1, txt-1, txt-2 and dom-3 are left to the validation engine
(``python -m tests.outside``), which judges all of them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fhirpathpy.models import models

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps
from adapter.validate.walk import walk
from tests.fhir_xml.official_package import files_of
from tests.fhirpath import evaluate

KEYS = {
    *("obs-3", "obs-6", "obs-7", "qty-3", "ref-1", "ext-1", "dom-2", "dom-4", "dom-5"),
    *("bdl-1", "bdl-2", "bdl-3", "bdl-4", "bdl-5", "bdl-7", "bdl-8"),
}
# Those that the sample must have put to the test.
MET = {"obs-3", "obs-6", "obs-7", "qty-3", "ref-1", "ext-1", "dom-2", "bdl-5", "bdl-7", "bdl-8"}

Constraints = dict[str, list[tuple[str, str]]]


@pytest.fixture(scope="module")
def constraints(fhir_package: Path) -> Constraints:
    """Key and expression of the constraints of each type and each element that is no type of its own."""
    found: Constraints = {}
    for name, content in files_of(fhir_package).items():
        if name.startswith("StructureDefinition-"):
            structure = json.loads(content)
            if structure.get("derivation") == "constraint":
                continue
            for element in structure["snapshot"]["element"]:
                for constraint in element.get("constraint", ()):
                    if constraint["key"] in KEYS:
                        found.setdefault(element["path"], []).append((constraint["key"], constraint["expression"]))
    return found


def judged(resource: dict[str, Any], constraints: Constraints) -> Iterator[tuple[str, str, bool]]:
    """Key, place and verdict of every constraint at every element of a resource and of what it holds."""
    for node in walk(resource):
        path = node.type
        context = {"resource": node.own.value, "rootResource": node.container.value}
        for key, expression in constraints.get(path, ()):
            verdict = evaluate(node.value, {"base": path, "expression": expression}, context, models["r4"])
            yield key, node.where, verdict != [False]  # empty (no fullUrl, no reference): nothing to break


def sample(exam: Exam) -> Exam:
    """A few findings of an exam, from every part of it."""
    return exam.model_copy(update={"findings": exam.findings[::12]})


@pytest.mark.parametrize("kind", BundleType)
def test_what_we_map_keeps_them(
    kind: BundleType, every: list[Exam], catalogue: Catalogue, constraints: Constraints
) -> None:
    seen: dict[str, int] = {}
    for exam in (every[1], every[22]):
        bundle = json.loads(dumps(to_bundle(sample(exam), catalogue, kind)))
        for key, where, kept in judged(bundle, constraints):
            assert kept, f"{exam.details.id}: {key} at {where}"
            seen[key] = seen.get(key, 0) + 1
    assert {key for key in MET if not seen.get(key)} == set()


def test_a_broken_one_is_found(every: list[Exam], catalogue: Catalogue, constraints: Constraints) -> None:
    bundle = json.loads(dumps(to_bundle(sample(every[1]), catalogue)))
    observations = [e["resource"] for e in bundle["entry"] if "valueQuantity" in e["resource"]]
    observations[0]["dataAbsentReason"] = {"text": "x"}
    del observations[1]["valueQuantity"]["system"]
    bundle["entry"].append(dict(bundle["entry"][0]))
    del bundle["entry"][1]["request"]
    broken = {key for key, _, kept in judged(bundle, constraints) if not kept}
    assert broken >= {"obs-6", "qty-3", "bdl-7", "bdl-3"}
