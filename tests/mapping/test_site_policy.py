"""SNOMED CT switched off, or kept to the Global Patient Set: the bundle stays valid and nothing is lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.every_use import every_exam, some_exams
from adapter.fhir import to_bundle
from adapter.fhir.json import dumps
from adapter.read.bundle import from_bundle
from adapter.validate import validate

SNOMED = "http://snomed.info/sct"


def site(folder: Path, **settings: str) -> Catalogue:
    folder.joinpath("site.yaml").write_text("".join(f"{key}: {value}\n" for key, value in settings.items()))
    return load_catalogue(folder)


@pytest.mark.parametrize("policy", ["off", "global-patient-set"])
def test_nothing_is_lost(policy: str, tmp_path: Path) -> None:
    catalogue = site(tmp_path, snomed=policy)
    assert catalogue.settings.snomed == policy
    for exam in every_exam(catalogue)[::10]:
        bundle = to_bundle(exam, catalogue)
        assert from_bundle(bundle, catalogue) == [exam]
        assert [str(problem) for problem in validate(bundle, second_opinion=False)] == []


def test_off_sends_no_snomed_code(tmp_path: Path) -> None:
    catalogue = site(tmp_path, snomed="off")
    assert all(SNOMED.encode() not in dumps(to_bundle(exam, catalogue)) for exam in some_exams(catalogue))


def test_the_global_patient_set_is_all_that_is_sent(tmp_path: Path) -> None:
    catalogue = site(tmp_path, snomed="global-patient-set")
    free = {
        code for (system, code), row in catalogue.verified.items() if system == "snomed" and row.global_patient_set
    }
    sent: set[str] = set()
    for exam in some_exams(catalogue):
        sent |= snomed_codes(to_bundle(exam, catalogue))
    assert sent
    assert sent <= free


def snomed_codes(value: object) -> set[str]:
    if isinstance(value, dict):
        own = {value["code"]} if value.get("system") == SNOMED else set()
        return own.union(*(snomed_codes(content) for content in value.values()))
    return set().union(*(snomed_codes(entry) for entry in value)) if isinstance(value, list) else set()


def test_everything_of_our_own_hangs_under_the_sites_canonical(tmp_path: Path) -> None:
    catalogue = site(tmp_path, canonical="https://ward.example.org/fhir")
    exam = every_exam(catalogue)[1]
    text = dumps(to_bundle(exam, catalogue))
    assert b"newborn-exam-adapter.invalid" not in text
    assert b"https://ward.example.org/fhir/CodeSystem/exam-item" in text
    assert from_bundle(to_bundle(exam, catalogue), catalogue) == [exam]


def test_the_ids_of_two_sites_never_meet(tmp_path: Path, catalogue: Catalogue) -> None:
    other = site(tmp_path, canonical="https://ward.example.org/fhir")
    exam = every_exam(catalogue)[1]
    one, two = ({e["fullUrl"] for e in to_bundle(exam, c)["entry"]} for c in (catalogue, other))
    assert not one & two
