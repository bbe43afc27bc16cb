"""Exams as QuestionnaireResponses and back: nothing is lost, in whatever file they come."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from items import by_link, read, walk

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam, Finding
from adapter.fhir.json import dumps, loads
from adapter.forms import to_questionnaire, to_response
from adapter.read import read_captures, to_json
from adapter.read.questionnaire import NotInForm
from adapter.validate import validate
from drawn import drawn
from strategies import exams

CAPTURES = sorted((Path(__file__).parents[2] / "examples" / "captures").glob("*.json"))
CATALOGUE = load_catalogue()


def _exam(path: Path, catalogue: Catalogue) -> Exam:
    [reading] = read_captures(path, catalogue)
    assert reading.exam is not None
    return reading.exam


@pytest.mark.parametrize("path", CAPTURES, ids=lambda path: path.stem)
def test_examples_come_back(path: Path, catalogue: Catalogue) -> None:
    exam = _exam(path, catalogue)
    response = to_response(exam, catalogue)
    reading = read(response, catalogue)
    assert reading.accepted
    assert reading.exam is not None
    assert to_json(reading.exam) == to_json(exam)
    assert list(validate(response)) == []


def test_every_item_and_answer_comes_back(catalogue: Catalogue, every: list[Exam]) -> None:
    for exam in every:
        reading = read(to_response(exam, catalogue), catalogue)
        assert reading.exam is not None, reading.problems
        assert to_json(reading.exam) == to_json(exam)


@drawn(60)
@given(exams(CATALOGUE, max_items=20))
def test_any_exam_comes_back(exam: Exam) -> None:
    """Property: digits, offsets, spellings of units, the order of the findings and all their words survive."""
    reading = read(to_response(exam, CATALOGUE), CATALOGUE)
    assert reading.exam is not None, reading.problems
    assert to_json(reading.exam) == to_json(exam)
    assert not reading.errors


@drawn(25)
@given(exams(CATALOGUE, max_items=12))
def test_any_response_is_valid_and_answers_what_is_asked(exam: Exam) -> None:
    """FHIR R4 QuestionnaireResponse, section 2.43.4: the linkIds and their nesting are those of the Questionnaire."""
    response = to_response(exam, CATALOGUE)
    assert list(validate(response)) == []
    questionnaire = to_questionnaire(CATALOGUE, exam.details.kind)
    assert response["questionnaire"] == f"{questionnaire['url']}|{questionnaire['version']}"
    parents = {
        child["linkId"]: item["linkId"] for item in walk(questionnaire["item"]) for child in item.get("item", [])
    }
    for item in walk(response["item"]):
        for child in item.get("item", []):
            assert parents[child["linkId"]] == item["linkId"]
    order = {item["linkId"]: n for n, item in enumerate(walk(questionnaire["item"]))}
    tops = [order[item["linkId"]] for item in response["item"]]
    assert tops == sorted(tops)


@drawn(15)
@given(st.lists(exams(CATALOGUE, max_items=3), min_size=2, max_size=3))
def test_in_any_file(several: list[Exam]) -> None:
    responses = [dumps(to_response(exam, CATALOGUE)) for exam in several]
    mixed = [*responses, to_json(several[0], indent=None).strip()]
    wanted = [to_json(exam) for exam in (*several, several[0])]
    for data in (b"\n".join(mixed), b"[" + b",".join(mixed) + b"]"):
        found = [reading.exam for reading in read_captures(io.BytesIO(data), CATALOGUE)]
        assert [to_json(exam) for exam in found if exam is not None] == wanted


def test_digits_survive(catalogue: Catalogue) -> None:
    exam = _exam(CAPTURES[0], catalogue)
    weight = {"item": "weight", "value": {"value": "3.10", "unit": "kg"}, "method": "scale_unclothed"}
    exam = exam.model_copy(update={"findings": (Finding.model_validate(weight),)})
    response = to_response(exam, catalogue)
    assert b'"value":3.10,"unit":"kg"' in dumps(response)
    back = read(response, catalogue).exam
    assert back is not None
    assert str(back.findings[0].value) == "3.10 kg"


def test_a_response_says_whom_it_is_about(catalogue: Catalogue) -> None:
    """By business identifiers: what the resources are called on a server is not known here."""
    exam = _exam(CAPTURES[0], catalogue)
    response = to_response(exam, catalogue)
    assert response["status"] == "completed"
    assert response["subject"]["identifier"]["value"] == exam.newborn.identifiers[0].value
    assert response["identifier"]["value"] == exam.details.id
    assert by_link(response)["newborn.birth_time"]["answer"] == [
        {"valueDateTime": exam.newborn.birth_time.isoformat()}
    ]


def test_the_order_is_noted_only_where_it_is_not_the_forms(catalogue: Catalogue) -> None:
    exam = _exam(CAPTURES[0], catalogue)
    calm = [{"item": "cry", "value": "strong_lusty"}, {"item": "suck", "value": "strong_coordinated"}]
    for findings, noted in ((calm, False), (calm[::-1], True)):
        one = exam.model_copy(update={"findings": tuple(Finding.model_validate(f) for f in findings)})
        response = to_response(one, catalogue)
        assert any("extension" in item for item in walk(response["item"])) is noted
        assert read(response, catalogue).exam == one


def test_what_no_form_has_a_place_for(catalogue: Catalogue) -> None:
    exam = _exam(CAPTURES[0], catalogue)
    wrong = [
        ({"item": "horns", "value": "two"}, "no item horns"),
        ({"item": "femoral_pulse", "value": "weak"}, "each side"),
        ({"item": "cry", "value": "operatic"}, "no answer operatic"),
        ({"item": "weight", "value": {"value": 3, "unit": "stone"}}, "stone"),
    ]
    for finding, words in wrong:
        one = exam.model_copy(update={"findings": (Finding.model_validate(finding),)})
        with pytest.raises(NotInForm, match=words):
            to_response(one, catalogue)
    unknown = exam.model_copy(update={"details": exam.details.model_copy(update={"kind": "nightly"})})
    with pytest.raises(NotInForm, match="nightly"):
        to_response(unknown, catalogue)


def test_a_form_renderers_own_way(catalogue: Catalogue) -> None:
    """Without texts and displays, with codes for units, booleans, empty groups: R4 leaves all that open."""
    response = loads(dumps(to_response(_exam(CAPTURES[0], catalogue), catalogue)))
    wanted = read(response, catalogue).exam
    for item in walk(response["item"]):
        item.pop("text", None)
        for answer in item.get("answer", []):
            answer.get("valueCoding", {}).pop("display", None)
            answer.get("valueCoding", {})["userSelected"] = True
            if "valueCoding" in answer and "code" not in answer["valueCoding"]:
                del answer["valueCoding"]
            if "valueQuantity" in answer:
                answer["valueQuantity"]["unit"] = "as the device prints it"
    response["item"].append({"linkId": "further.together"})
    reading = read(response, catalogue)
    assert reading.accepted, reading.problems
    assert reading.exam is not None
    assert wanted is not None
    assert len(reading.exam.findings) == len(wanted.findings)


def test_units_read_as_the_form_offers_them_and_the_spelling_comes_back(catalogue: Catalogue) -> None:
    """A validator compares the words of a unit with those of the options (SDC ``unitOption``), not its code alone."""
    record = {
        "exam": {
            "id": "u1",
            "kind": "initial",
            "started": "2026-03-01T08:30:00+01:00",
            "examiners": [{"name": "N. Invented", "role": "nurse"}],
        },
        "newborn": {
            "identifiers": [{"system": "https://example.org/mrn", "value": "1"}],
            "sex": "female",
            "birth_time": "2026-02-28T21:12:00+01:00",
        },
        "findings": [{"item": "temperature", "value": {"value": "36.70", "unit": "Cel"}, "site": "axilla"}],
    }
    exam = Exam.model_validate(record)
    response = to_response(exam, catalogue)
    text = dumps(response).decode()
    assert '"unit":"°C"' in text
    assert '"unit":"Cel"' not in text
    reading = read(response, catalogue)
    assert reading.exam == exam
