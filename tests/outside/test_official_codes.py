"""Every code of HL7's own that we send stands in the official R4 package, with the very display we send.

Source: hl7.fhir.r4.core 4.0.1 (content CC0): the code systems themselves.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from tests.fhir_xml.official_package import files_of

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
    for name, content in files_of(fhir_package).items():
        if name.startswith("CodeSystem-"):
            system = json.loads(content)
            found[system["url"]] = dict(_concepts(system.get("concept", [])))
    return found


def _concepts(concepts: list[dict[str, Any]]) -> Iterator[tuple[str, str | None]]:
    for concept in concepts:
        yield concept["code"], concept.get("display")
        yield from _concepts(concept.get("concept", []))


@dataclass
class Sent:
    """What bundles hold of codings of HL7's own, of plain codes by their path, and of the standard's extensions."""

    codings: set[tuple[str, str, str | None]] = field(default_factory=set)
    plain: dict[str, set[str]] = field(default_factory=lambda: {path: set() for path in PLAIN})
    extensions: set[str] = field(default_factory=set)


@pytest.fixture(scope="module")
def sent(every: list[Exam], catalogue: Catalogue) -> Sent:
    """Of every answer in a transaction, and of some in the other kinds of bundle."""
    found = Sent()
    for kind in BundleType:
        for exam in every if kind is BundleType.TRANSACTION else every[::10]:
            for path, value in walk(to_bundle(exam, catalogue, kind), ""):
                if path in PLAIN:
                    found.plain[path].add(value)
                elif isinstance(value, Mapping) and "code" in value and str(value.get("system", "")).startswith(HL7):
                    found.codings.add((value["system"], value["code"], value.get("display")))
                elif isinstance(value, Mapping) and path.endswith("xtension") and value["url"].startswith(FHIR):
                    found.extensions.add(value["url"])
    return found


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


def test_every_coding(sent: Sent, code_systems: dict[str, dict[str, str | None]]) -> None:
    wrong = {c for c in sent.codings if code_systems.get(c[0], {}).get(c[1], "no such code") != c[2]}
    assert wrong == set()
    assert {system.rpartition("/")[2] for system, _, _ in sent.codings} == CODED


def test_every_plain_code(sent: Sent, code_systems: dict[str, dict[str, str | None]]) -> None:
    for path, name in PLAIN.items():
        assert sent.plain[path], path
        assert sent.plain[path] <= code_systems[FHIR + name].keys(), path


def test_reasons_of_the_catalogue_are_of_the_code_system(
    catalogue: Catalogue, code_systems: dict[str, dict[str, str | None]]
) -> None:
    known = code_systems["http://terminology.hl7.org/CodeSystem/data-absent-reason"]
    assert {reason.absent for reason in catalogue.reasons.values()} <= known.keys()
    # R4's text on Observation mentions it; the code system of 4.0.1 does not hold it.
    assert "clinical-finding" not in known


def test_extensions_of_the_standard_are_in_the_package(sent: Sent, fhir_package: Path) -> None:
    official = set()
    for name, content in files_of(fhir_package).items():
        if name.startswith("StructureDefinition-"):
            official.add(json.loads(content)["url"])
    # patient-multipleBirthTotal is newer than 4.0.1: HL7's package of extensions for R4 (hl7.fhir.uv.extensions.r4)
    # defines it, as US birth reporting uses it.
    assert sent.extensions - official == {FHIR + "StructureDefinition/patient-multipleBirthTotal"}
