"""Every code of HL7's own that we send stands in the official R4 package, with the very display we send.

Source: hl7.fhir.r4.core 4.0.1 (content CC0): the code systems themselves.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.definitions.generate import read_package

HL7 = ("http://terminology.hl7.org/", "http://hl7.org/fhir/")
FHIR = "http://hl7.org/fhir/"

# Codes that stand alone: the element's path, and the code system its required binding leads to.
PLAIN = {
    "Patient.gender": "administrative-gender",
    "Patient.name.use": "name-use",
    "Observation.status": "observation-status",
    "DiagnosticReport.status": "diagnostic-report-status",
    "Encounter.status": "encounter-status",
    "CommunicationRequest.status": "request-status",
    "CommunicationRequest.priority": "request-priority",
    "Device.deviceName.type": "device-nametype",
    "Provenance.entity.role": "provenance-entity-role",
    "Bundle.type": "bundle-type",
    "Bundle.entry.request.method": "http-verb",
}
# Code systems that this project's resources draw on.
CODED = {
    "communication-category",
    "observation-category",
    "data-absent-reason",
    "v3-ObservationInterpretation",
    "v2-0074",
    "v3-ActCode",
    "v3-RoleCode",
    "provenance-participant-type",
}


@pytest.fixture(scope="module")
def code_systems(fhir_package: Path) -> dict[str, dict[str, str | None]]:
    """Displays by code by canonical URL, concepts of every depth."""
    found: dict[str, dict[str, str | None]] = {}
    for name, content in read_package(fhir_package):
        if name.startswith("CodeSystem-"):
            system = json.loads(content)
            found[system["url"]] = dict(_concepts(system.get("concept", [])))
    return found


def _concepts(concepts: list[dict[str, Any]]) -> Iterator[tuple[str, str | None]]:
    for concept in concepts:
        yield concept["code"], concept.get("display")
        yield from _concepts(concept.get("concept", []))


@pytest.fixture(scope="module")
def sent(every: list[Exam], catalogue: Catalogue) -> list[dict[str, Any]]:
    return [to_bundle(exam, catalogue, kind) for exam in every for kind in BundleType]


def walk(value: Any, path: str) -> Iterator[tuple[str, Any]]:
    """Every value with its path; a resource begins a path of its own."""
    if isinstance(value, Mapping):
        path = value.get("resourceType", path)
        yield path, value
        for key, content in value.items():
            yield from walk(content, f"{path}.{key}")
    elif isinstance(value, list):
        for entry in value:
            yield from walk(entry, path)
    else:
        yield path, value


def test_every_coding(sent: list[dict[str, Any]], code_systems: dict[str, dict[str, str | None]]) -> None:
    codings = {
        (value["system"], value["code"], value.get("display"))
        for bundle in sent
        for _, value in walk(bundle, "")
        if isinstance(value, Mapping) and str(value.get("system", "")).startswith(HL7) and "code" in value
    }
    wrong = {c for c in codings if code_systems.get(c[0], {}).get(c[1], "no such code") != c[2]}
    assert wrong == set()
    assert {system.rpartition("/")[2] for system, _, _ in codings} == CODED


def test_every_plain_code(sent: list[dict[str, Any]], code_systems: dict[str, dict[str, str | None]]) -> None:
    seen: dict[str, set[str]] = {path: set() for path in PLAIN}
    for bundle in sent:
        for path, value in walk(bundle, ""):
            if path in PLAIN:
                seen[path].add(value)
    for path, name in PLAIN.items():
        assert seen[path], path
        assert seen[path] <= code_systems[FHIR + name].keys(), path


def test_reasons_of_the_catalogue_are_of_the_code_system(
    catalogue: Catalogue, code_systems: dict[str, dict[str, str | None]]
) -> None:
    known = code_systems["http://terminology.hl7.org/CodeSystem/data-absent-reason"]
    assert {reason.absent for reason in catalogue.reasons.values()} <= known.keys()
    # R4's text on Observation mentions it; the code system of 4.0.1 does not hold it.
    assert "clinical-finding" not in known


def test_extensions_of_the_standard_are_in_the_package(sent: list[dict[str, Any]], fhir_package: Path) -> None:
    official = set()
    for name, content in read_package(fhir_package):
        if name.startswith("StructureDefinition-"):
            official.add(json.loads(content)["url"])
    urls = {
        value["url"]
        for bundle in sent
        for path, value in walk(bundle, "")
        if path.endswith("xtension") and isinstance(value, Mapping) and value["url"].startswith(FHIR)
    }
    # patient-multipleBirthTotal is newer than 4.0.1: HL7's package of extensions for R4 (hl7.fhir.uv.extensions.r4)
    # defines it, as US birth reporting uses it.
    assert urls - official == {FHIR + "StructureDefinition/patient-multipleBirthTotal"}
