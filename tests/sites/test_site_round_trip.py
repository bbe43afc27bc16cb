"""Whatever a site sets, its bundles stay valid and read back to the very exam they came from."""

from __future__ import annotations

from functools import cache
from itertools import product
from pathlib import Path
from tempfile import mkdtemp

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sites_of_examples import SITES, catalogue_of

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.every_use import every_exam
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import from_xml, to_xml
from adapter.read.bundle import from_bundle
from adapter.validate import validate
from drawn import drawn
from strategies import exams

EMIT = {
    "panels": ("true", "false"),
    "tell": ("true", "false"),
    "provenance": ("separate", "contained"),
    "ward_encounter": ("true", "false"),
    "device": ("true", "false"),
    "participants": ("true", "false"),
}
ORGANISATION = 'organisation: {name: Invented, identifier: {system: "urn:oid:2.999.1", value: "1"}}\n'
PLACES = 'places: {P: {identifier: {system: "urn:oid:2.999.5", value: w1}, physical_type: wa}}\n'


@cache
def site(emit: tuple[str, ...], scores: str, rest: str) -> Catalogue:
    folder = Path(mkdtemp(prefix="site-"))
    said = ", ".join(f"{name}: {value}" for name, value in zip(EMIT, emit, strict=True))
    folder.joinpath("site.yaml").write_text(f"emit: {{{said}}}\nscores: {scores}\n{rest}")
    return load_catalogue(folder)


@st.composite
def sites(draw: st.DrawFn) -> Catalogue:
    """Any choice of what a site sets."""
    rest = draw(st.sampled_from(["", ORGANISATION + PLACES, "own_profiles: true\nsnomed: 'off'\n"]))
    emit = draw(st.sampled_from(list(product(*EMIT.values()))[::9]))
    return site(emit, draw(st.sampled_from(["components", "members"])), rest)


@given(st.data())
@drawn(40)
def test_any_exam_under_any_settings(data: st.DataObject) -> None:
    catalogue = data.draw(sites())
    exam = data.draw(exams(catalogue))
    kind = data.draw(st.sampled_from(list(BundleType)))
    bundle = to_bundle(exam, catalogue, kind)
    assert [str(problem) for problem in validate(bundle, second_opinion=False)] == []
    assert from_bundle(loads(dumps(bundle)), catalogue) == [exam]
    assert from_xml(to_xml(bundle)) == bundle


@pytest.mark.parametrize("name", SITES)
def test_everything_that_a_catalogue_has_under_each_invented_site(name: str) -> None:
    catalogue = catalogue_of(name)
    for number, exam in enumerate(every_exam(catalogue)[::10]):
        kind = list(BundleType)[number % 3]
        bundle = to_bundle(exam, catalogue, kind)
        assert from_bundle(bundle, catalogue) == [exam]
        assert [str(problem) for problem in validate(bundle, second_opinion=number < 3)] == []


def test_an_exam_of_a_ward_encounter_that_is_not_sent(every: list[Exam]) -> None:
    """The reference is by identifier (R4 Reference.identifier), and the exam has it again."""
    catalogue = site(("true", "true", "separate", "false", "false", "true"), "components", "")
    exam = next(exam for exam in every if exam.details.encounter is not None)
    bundle = to_bundle(exam, catalogue)
    types = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert "Encounter" not in types
    assert "Device" not in types
    report = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DiagnosticReport")
    assert report["encounter"]["identifier"]["value"] == exam.details.encounter.value
    assert from_bundle(bundle, catalogue) == [exam]
