"""The example exams: each is accepted, says what its story says, and survives every way out and back."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
import yaml
from regenerate import CAPTURES, CSV, EXAMPLES, HOW, bundle, example, kept, made, names

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive import Tell, computed_findings, judge, tell_list
from adapter.exam import Exam, Finding, Quantity, Urgency
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import from_xml, to_xml
from adapter.read import completeness, read_captures
from adapter.read.bundle import from_bundle
from adapter.validate import validate

EXPECTED: dict[str, Any] = yaml.safe_load((Path(__file__).parent / "expected.yaml").read_text("utf-8"))
every_example = pytest.mark.parametrize("name", names())


@pytest.fixture(scope="module")
def catalogue() -> Catalogue:
    return load_catalogue()


def tells(exam: Exam, catalogue: Catalogue) -> tuple[Tell, ...]:
    return tell_list(exam, computed_findings(exam, catalogue), catalogue)


def line(finding: Finding) -> list[str]:
    """A finding as a line of ``expected.yaml``."""
    side = finding.side.value if finding.side else ""
    where = " ".join(part for part in (side, finding.site) if part)
    if finding.not_examined is not None:
        said = finding.not_examined
    elif isinstance(finding.value, (str, Quantity)):
        said = str(finding.value)
    else:
        said = "text" if finding.text else "other"
    return [finding.item, where, said]


def test_every_example_is_expected_and_told_of_in_the_readme() -> None:
    readme = (EXAMPLES / "README.md").read_text("utf-8")
    assert sorted(EXPECTED) == names()
    told = set(re.findall(r"^\| ((?:wrong/)?d\d\d[a-z0-9-]*) \|", readme, re.MULTILINE))
    wrong = {f"wrong/{path.stem}" for path in (EXAMPLES / "wrong").glob("*")}
    assert told == {*names(), *wrong}


@every_example
def test_the_checks_find_nothing_wrong(name: str, catalogue: Catalogue) -> None:
    (reading,) = read_captures(CAPTURES / f"{name}.json", catalogue)
    assert [str(problem) for problem in reading.problems] == []
    assert reading.exam is not None


def own_urgency(finding: Finding, exact: Decimal | None, exam: Exam, catalogue: Catalogue) -> Urgency:
    """How soon a finding must be told by itself, without what it means together with others."""
    item = catalogue.items[finding.item]
    if finding.not_examined is not None:
        return Urgency.TELL if {"any", finding.not_examined} & set(item.tell_when_not_examined) else Urgency.NONE
    judged = judge(finding, item, exam, catalogue, exact)
    return judged.urgency if judged else Urgency.NONE


@every_example
def test_the_tell_list_is_what_the_story_says(name: str, catalogue: Catalogue) -> None:
    """No more and no less: every finding of the story is told, by itself or within a line that is as urgent."""
    exam = example(name)
    computed = computed_findings(exam, catalogue)
    pool = [(f, None) for f in exam.findings] + [(c.finding, c.exact) for c in computed if c.urgency is None]
    lines = tells(exam, catalogue)
    told: dict[Urgency, list[list[str]]] = {urgency: [] for urgency in Urgency}
    by_position = sorted(enumerate(pool), key=lambda one: catalogue.items[one[1][0].item].position)
    for index, (finding, exact) in by_position:
        urgency = own_urgency(finding, exact, exam, catalogue)
        within = {line.urgency for line in lines if index in line.rests_on}
        if urgency is not Urgency.NONE:
            assert any(list(Urgency).index(one) >= list(Urgency).index(urgency) for one in within), finding
            told[urgency].append(line(finding))
    assert told[Urgency.TELL_NOW] == EXPECTED[name]["tell_now"]
    assert told[Urgency.TELL_SOON] == EXPECTED[name].get("tell_soon", [])
    assert told[Urgency.TELL] == EXPECTED[name]["tell"]
    assert [t.rule for t in lines if t.item.id == "cross_finding"] == EXPECTED[name]["together"]
    left = [[t.item.id, t.side.value if t.side else ""] for t in lines if t.urgency is Urgency.NONE]
    assert left == EXPECTED[name]["still_to_do"]
    assert all(t.urgency is not Urgency.NONE or t.to_do for t in lines)


@every_example
def test_what_was_left_out_is_counted_as_not_recorded(name: str, catalogue: Catalogue) -> None:
    exam = example(name)
    gaps = [gap.item for gap in completeness(exam, catalogue)]
    assert gaps == EXPECTED[name]["not_recorded"]
    exported = {
        coding["code"]
        for entry in to_bundle(exam, catalogue)["entry"]
        if entry["resource"]["resourceType"] == "Observation"
        for coding in entry["resource"]["code"]["coding"]
    }
    assert not exported & set(gaps)


@every_example
@pytest.mark.parametrize("kind", list(BundleType))
def test_an_example_comes_back_from_its_bundle_the_same(name: str, kind: BundleType, catalogue: Catalogue) -> None:
    exam = example(name)
    written = to_bundle(exam, catalogue, kind)
    assert from_bundle(loads(dumps(written)), catalogue) == [exam]
    assert from_bundle(from_xml(to_xml(written)), catalogue) == [exam]


@every_example
def test_no_layer_of_validation_finds_anything(name: str) -> None:
    assert [str(problem) for problem in validate(bundle(name))] == []


def test_the_csv_holds_the_same_exams(catalogue: Catalogue) -> None:
    readings = list(read_captures(CSV, catalogue))
    assert [str(problem) for reading in readings for problem in reading.problems] == []
    assert [reading.exam for reading in readings] == [example(name) for name in names()]


def test_the_golden_files_are_what_the_captures_make() -> None:
    files = made()
    assert kept() == set(files), f"files too many or too few in examples/; make them anew: {HOW}"
    for path, content in files.items():
        same = path.read_bytes() == content
        assert same, f"{path.name} is not what its capture record makes; if that is meant: {HOW}, and read the diff"


@every_example
def test_everything_says_that_it_is_invented(name: str) -> None:
    # The top-level domain .invalid never resolves: RFC 2606, section 2.
    exam = example(name)
    mother = exam.newborn.mother
    assert exam.details.place == "Demonstration ward (invented)"
    assert "Testfield-" in str(exam.newborn.name)
    assert mother is not None
    identifiers = [*exam.newborn.identifiers, *mother.identifiers, exam.details.encounter]
    identifiers += [examiner.identifier for examiner in exam.details.examiners]
    assert all(i.system.startswith("https://hospital.invalid/") for i in identifiers if i is not None)
    assert {str(i) for i in exam.newborn.identifiers}.isdisjoint(str(i) for i in mother.identifiers)
