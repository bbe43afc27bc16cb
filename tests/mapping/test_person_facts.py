"""Further facts of persons, declared by a site: FHIR R4 extensions (section 2.4) of Patient, RelatedPerson and
Practitioner, there and back; refused where nobody declared them or they are of another type."""

from __future__ import annotations

import json
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.lint import lint
from adapter.exam import Exam
from adapter.fhir.json import loads
from adapter.fhir.xml import from_xml
from adapter.forms import to_response
from adapter.read import Reading, read, to_json
from adapter.read.bundle import from_bundle
from adapter.read.csv_writer import to_csv
from adapter.read.oru import from_oru
from adapter.read.questionnaire.sheet import NotInForm
from adapter.validate import validate
from adapter.write import left_out, write
from examples.regenerate import example
from messages import unjudged_oru

URL = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-birthsex"
FACTS = f"""
- {{id: birth_sex, label: Sex at birth, of: [newborn], url: "{URL}", type: code, values: [{{code: F}}, {{code: M}}]}}
- id: tongue
  label: Language at home
  of: [newborn, mother]
  url: https://east.invalid/fhir/StructureDefinition/language
  type: Coding
  values: [{{code: nb, system: "urn:ietf:bcp:47", display: Norwegian}}, {{code: en, system: "urn:ietf:bcp:47"}}]
- {{id: booked, label: Booked here, of: [mother], url: "urn:oid:2.999.31", type: boolean}}
- {{id: booked_on, label: Day of booking, of: [mother], url: "urn:oid:2.999.32", type: date}}
- {{id: board, label: Number of the board, of: [examiner], url: "urn:oid:2.999.33", type: string}}
"""
GIVEN: dict[str, dict[str, Any]] = {
    "newborn": {"birth_sex": "F", "tongue": "nb"},
    "mother": {"tongue": "en", "booked": True, "booked_on": "2026-03-01"},
    "examiner": {"board": "7|7;=/ 4"},
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("site")
    (made / "person_facts.yaml").write_text(FACTS)
    return made


@pytest.fixture(scope="module")
def site(folder: Path) -> Catalogue:
    catalogue = load_catalogue(folder)
    assert [str(problem) for problem in lint(catalogue)] == []
    return catalogue


def record(given: dict[str, dict[str, Any]] = GIVEN) -> dict[str, Any]:
    made: dict[str, Any] = json.loads(to_json(example("d01-well-term-girl")))
    known = next(one for one in made["exam"]["examiners"] if "identifier" in one)
    people = {"newborn": made["newborn"], "mother": made["newborn"]["mother"], "examiner": known}
    for who, facts in given.items():
        people[who]["facts"] = facts
    return made


def reading(catalogue: Catalogue, given: dict[str, dict[str, Any]] = GIVEN) -> Reading:
    (found,) = read(BytesIO(json.dumps(record(given)).encode()), catalogue)
    return found


def exam_of(catalogue: Catalogue) -> Exam:
    found = reading(catalogue)
    assert found.exam is not None
    assert found.accepted, [str(one) for one in found.errors]
    return found.exam


def test_each_is_an_extension_of_its_person_and_reads_back(site: Catalogue) -> None:
    exam = exam_of(site)
    bundle = loads(write(exam, site, "transaction"))
    people = {e["resource"]["resourceType"]: e["resource"].get("extension") for e in bundle["entry"]}
    norwegian = {"system": "urn:ietf:bcp:47", "code": "nb", "display": "Norwegian"}
    language = "https://east.invalid/fhir/StructureDefinition/language"
    assert people["Patient"] == [{"url": URL, "valueCode": "F"}, {"url": language, "valueCoding": norwegian}]
    assert people["RelatedPerson"][1:] == [
        {"url": "urn:oid:2.999.31", "valueBoolean": True}, {"url": "urn:oid:2.999.32", "valueDate": "2026-03-01"},
    ]  # fmt: skip
    assert people["Practitioner"] == [{"url": "urn:oid:2.999.33", "valueString": "7|7;=/ 4"}]
    assert [str(problem) for problem in validate(bundle)] == []
    for kind in ("transaction", "collection", "document"):
        assert from_bundle(loads(write(exam, site, kind)), site) == [exam]
    assert from_bundle(from_xml(write(exam, site, "collection", "xml")), site) == [exam]


def test_it_is_the_same_in_json_and_csv(site: Catalogue) -> None:
    exam = exam_of(site)
    for data in (to_json(exam), to_csv([exam]).encode()):
        assert [one.exam for one in read(BytesIO(data), site)] == [exam]


def test_v2_leaves_them_out_and_says_so(site: Catalogue) -> None:
    assert b"2.999.3" not in unjudged_oru(exam_of(site), site)
    assert from_oru(unjudged_oru(exam_of(site), site), site)[0].newborn.facts is None
    (said,) = left_out(exam_of(site), "v2")
    assert "facts of the newborn, mother, examiner 1 are left out" in str(said)
    assert left_out(exam_of(site), "collection") == left_out(example("d01-well-term-girl"), "v2") == []
    with pytest.raises(NotInForm, match="facts"):
        to_response(exam_of(site), site)


RACE = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-race"
OMB = "urn:oid:2.16.840.1.113883.6.238"
VALUES = f'[{{code: 2106-3, system: "{OMB}", display: White}}, {{code: 2028-9, system: "{OMB}", display: Asian}}]'
PARTS = f"""
- {{id: race_1, label: Race, of: [newborn, mother], url: "{RACE}", part: ombCategory, type: Coding, values: {VALUES}}}
- {{id: race_2, label: Race, of: [newborn, mother], url: "{RACE}", part: ombCategory, type: Coding, values: {VALUES}}}
- {{id: race_text, label: In words, of: [newborn, mother], url: "{RACE}", part: text, type: string, required: true}}
- id: indigenous
  label: Indigenous status
  of: [newborn]
  url: "urn:oid:2.999.34"
  type: CodeableConcept
  values: [{{code: "1", system: "urn:oid:2.999.35", display: One}}, {{code: "2", system: "urn:oid:2.999.35"}}]
"""


@pytest.fixture(scope="module")
def site_of_parts(tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
    made = tmp_path_factory.mktemp("parts")
    (made / "person_facts.yaml").write_text(PARTS)
    catalogue = load_catalogue(made)
    assert [str(problem) for problem in lint(catalogue)] == []
    return catalogue


def test_an_extension_with_parts_is_made_of_a_fact_for_each_part(site_of_parts: Catalogue) -> None:
    """US Core 9.0.0, race: ombCategory as Coding up to six times, text once and mandatory."""
    race = {"race_1": "2106-3", "race_2": "2028-9", "race_text": "White and Asian"}
    (found,) = read(
        BytesIO(json.dumps(record({"newborn": {**race, "indigenous": "2"}, "mother": race})).encode()), site_of_parts
    )
    exam = found.exam
    assert exam is not None
    assert found.accepted, [str(one) for one in found.errors]
    bundle = loads(write(exam, site_of_parts, "transaction"))
    people = {e["resource"]["resourceType"]: e["resource"].get("extension") for e in bundle["entry"]}
    whole = {
        "url": RACE,
        "extension": [
            {"url": "ombCategory", "valueCoding": {"system": OMB, "code": "2106-3", "display": "White"}},
            {"url": "ombCategory", "valueCoding": {"system": OMB, "code": "2028-9", "display": "Asian"}},
            {"url": "text", "valueString": "White and Asian"},
        ],
    }
    status = {"coding": [{"system": "urn:oid:2.999.35", "code": "2"}]}
    assert people["Patient"] == [whole, {"url": "urn:oid:2.999.34", "valueCodeableConcept": status}]
    assert people["RelatedPerson"] == [whole]
    assert [str(problem) for problem in validate(bundle)] == []
    for kind in ("collection", "document"):
        assert from_bundle(loads(write(exam, site_of_parts, kind)), site_of_parts) == [exam]
    assert from_bundle(from_xml(write(exam, site_of_parts, "collection", "xml")), site_of_parts) == [exam]
    assert [one.exam for one in read(BytesIO(to_csv([exam]).encode()), site_of_parts)] == [exam]


@pytest.mark.parametrize(
    ("given", "lacks"),
    [({"race_1": "2106-3"}, "race_text"), ({"race_2": "2106-3", "race_text": "White"}, "race_1")],
    ids=["the mandatory part", "the first of two"],
)
def test_a_part_is_not_said_without_what_must_be_there(
    given: dict[str, Any], lacks: str, site_of_parts: Catalogue
) -> None:
    (found,) = reading(site_of_parts, {"newborn": given}).errors
    assert (found.rule, found.remedy) == ("part-missing", f"{lacks} too, or neither")
    assert reading(site_of_parts, {"newborn": {"race_text": "White"}}).accepted


REFUSED: dict[str, tuple[dict[str, Any], str, str]] = {
    "nobody declared it": ({"newborn": {"weight": "1"}}, "unknown-fact", "birth_sex, tongue"),
    "it is of another person": ({"mother": {"birth_sex": "F"}}, "unknown-fact", "tongue, booked"),
    "no such code": ({"newborn": {"birth_sex": "female"}}, "wrong-fact", "one of F, M"),
    "text for yes or no": ({"mother": {"booked": "yes"}}, "wrong-fact", "without quotes"),
    "yes for text": ({"examiner": {"board": True}}, "wrong-fact", "text"),
    "no day": ({"mother": {"booked_on": "2026-02-30"}}, "wrong-fact", "a date"),
    "a day in another form": ({"mother": {"booked_on": "20260301"}}, "wrong-fact", "a date"),
    "a number": ({"newborn": {"birth_sex": 1}}, "", ""),
    "a list": ({"newborn": ["F"]}, "", ""),
    "nothing": ({"newborn": {}}, "", ""),
}


@pytest.mark.parametrize(("given", "rule", "right"), REFUSED.values(), ids=REFUSED)
def test_what_is_not_as_declared_is_refused_without_its_value(
    given: dict[str, Any], rule: str, right: str, site: Catalogue
) -> None:
    found = reading(site, given).errors
    assert found
    assert all("facts" in one.where for one in found), [str(one) for one in found]
    if rule:
        assert [one.rule for one in found] == [rule]
        assert right in found[0].remedy
    assert reading(load_catalogue(), GIVEN).errors


FAULTS = {
    "no URL": ("of: [newborn], url: birthsex, type: string", "no absolute URL"),
    "the same URL twice": (
        'of: [newborn], url: "urn:oid:2.999.1", type: string}\n- {id: b, label: B, of: [newborn], url: '
        '"urn:oid:2.999.1", type: string', "twice",
    ),
    "a code without values": ('of: [newborn], url: "urn:oid:2.999.1", type: code', "without values"),
    "text with values": ('of: [mother], url: "urn:oid:2.999.1", type: string, values: [{code: a}]', "no values"),
    "one of two without a part": (
        'of: [newborn], url: "urn:oid:2.999.1", type: string}\n- {id: b, label: B, of: [newborn], part: b, url: '
        '"urn:oid:2.999.1", type: string', "said of one person twice",
    ),
    "a part that is a URL": ('of: [mother], url: "urn:oid:2.999.1", part: "http://x/b", type: string', "no part"),
    "a part of two types": (
        'of: [newborn], url: "urn:oid:2.999.1", part: b, type: string}\n- {id: b, label: B, of: [newborn], part: b, '
        'url: "urn:oid:2.999.1", type: date', "several types",
    ),
    "required and no part": ('of: [mother], url: "urn:oid:2.999.1", required: true, type: string', "only a part"),
    "a CodeableConcept without system": (
        'of: [mother], url: "urn:oid:2.999.1", type: CodeableConcept, values: [{code: a}]', "has no system",
    ),
    "a Coding without system": (
        'of: [mother], url: "urn:oid:2.999.1", type: Coding, values: [{code: a}]', "has no system",
    ),
    "a code twice": (
        'of: [mother], url: "urn:oid:2.999.1", type: code, values: [{code: a}, {code: a}]', "stands twice",
    ),
}  # fmt: skip


@pytest.mark.parametrize(("fact", "what"), FAULTS.values(), ids=FAULTS)
def test_a_declaration_that_cannot_be_is_told(fact: str, what: str, tmp_path: Path) -> None:
    (tmp_path / "person_facts.yaml").write_text(f"# ours\n- {{id: a, label: A, {fact}}}\n")
    found = [one for one in lint(load_catalogue(tmp_path)) if one.rule == "person-fact"]
    assert found
    assert all(what in one.what and one.file == "person_facts.yaml" and one.line in (2, 3) for one in found)
