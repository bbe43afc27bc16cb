"""to_json writes what to_bundle builds, byte for byte: for every answer, kind of bundle and setting of a site."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from uuid import NAMESPACE_URL, uuid5

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.every_use import some_exams
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle, to_json
from adapter.fhir.identity import Series
from adapter.fhir.json import dumps
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()


ONE = (BundleType.TRANSACTION,)


def same(exam: Exam, catalogue: Catalogue, kinds: Iterable[BundleType] = BundleType) -> bool:
    return all(to_json(exam, catalogue, kind) == dumps(to_bundle(exam, catalogue, kind)) for kind in kinds)


def test_every_answer(every: list[Exam], catalogue: Catalogue) -> None:
    """What is compiled with one exam is used for the next, and for the same once more, in any order."""
    assert [exam.details.id for exam in every if not same(exam, catalogue, ONE)] == []
    few = some_exams(catalogue)
    assert [exam.details.id for exam in few if not same(exam, catalogue)] == []
    anew = replace(catalogue)
    assert [exam.details.id for exam in few[::-1] if not same(exam, anew, ONE)] == []


@drawn(60)
@given(st.lists(exams(CATALOGUE, max_items=25), min_size=1, max_size=3))
def test_any_exams_one_after_the_other(several: list[Exam]) -> None:
    assert all(same(exam, CATALOGUE) for exam in [*several, *several])


SITES = {
    "profiles of our own": "own_profiles: true",
    "signs as members": "scores: members",
    "members with profiles": "scores: members\nown_profiles: true",
    "a language": "language: en",
    "few resources": "emit: {panels: false, tell: false, provenance: contained, ward_encounter: false}",
    "no device": "emit: {device: false}",
    "an organisation": "organisation: {name: Example, identifier: {system: 'https://example.org/o', value: O-1}}",
    "no SNOMED CT": "snomed: 'off'",
    "another canonical": "canonical: https://example.org/a%20b",
}


@pytest.mark.parametrize("site", SITES)
def test_every_setting_of_a_site(site: str, tmp_path: Path) -> None:
    tmp_path.joinpath("site.yaml").write_text(SITES[site])
    catalogue = load_catalogue(tmp_path)
    several = some_exams(catalogue)[::8]
    for kinds in (BundleType, ONE):
        assert [exam.details.id for exam in several if not same(exam, catalogue, kinds)] == []


@given(st.text(), st.text(), st.text())
def test_names_are_uuids_of_version_5(resource_type: str, system: str, value: str) -> None:
    # RFC 9562, section 5.5, by the standard library
    namespace = uuid5(NAMESPACE_URL, "https://example.org")
    name = Series(namespace, resource_type, system).name(value)
    assert name.uuid == str(uuid5(namespace, f"{resource_type}|{system}|{value}"))
