"""Any exam to a bundle and back is the same exam: each kind of bundle, JSON and XML, digits and offsets kept."""

from __future__ import annotations

import pytest
from hypothesis import given

from adapter.catalogue import load_catalogue
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import from_xml, to_xml
from adapter.read import to_json
from adapter.read.bundle import from_bundle
from adapter.validate import validate
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()
few = drawn(20)


@pytest.mark.parametrize("kind", BundleType)
@few
@given(exam=exams(CATALOGUE))
def test_through_json(kind: BundleType, exam: Exam) -> None:
    (back,) = from_bundle(loads(dumps(to_bundle(exam, CATALOGUE, kind))), CATALOGUE)
    assert back == exam
    assert to_json(back) == to_json(exam)


@pytest.mark.parametrize("kind", BundleType)
@few
@given(exam=exams(CATALOGUE))
def test_through_xml(kind: BundleType, exam: Exam) -> None:
    bundle = to_bundle(exam, CATALOGUE, kind)
    read = from_xml(to_xml(bundle))
    assert dumps(read) == dumps(from_xml(to_xml(read)))
    (back,) = from_bundle(read, CATALOGUE)
    assert to_json(back) == to_json(exam)


@few
@given(exam=exams(CATALOGUE))
def test_what_is_drawn_is_valid(exam: Exam) -> None:
    problems = validate(to_bundle(exam, CATALOGUE), second_opinion=False)
    assert [str(problem) for problem in problems] == []


@drawn(2)
@given(exam=exams(CATALOGUE, min_items=500, max_items=500))
def test_whole_exams(exam: Exam) -> None:
    bundle = to_bundle(exam, CATALOGUE)
    assert [str(problem) for problem in validate(bundle)] == []
    assert from_bundle(bundle, CATALOGUE) == [exam]
