"""Everything that can be wrong with a response: found at its linkId, with what would be right, and all at once.

FHIR R4 QuestionnaireResponse (section 2.43) says what a response must be; HL7 SDC 4.0.0, *Form Data Extraction*, that
only a completed one is read, by the url and version that it names.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from items import by_link, read

from adapter.capture import read_captures, to_response
from adapter.catalogue import Catalogue
from adapter.fhir.json import dumps, loads
from adapter.problems import Severity

CAPTURE = Path(__file__).parents[2] / "examples" / "captures" / "d05-boy-weak-femorals-failed-screen.json"

Json = dict[str, Any]
Change = Callable[[Json], None]


@pytest.fixture
def response(catalogue: Catalogue) -> Json:
    [reading] = read_captures(CAPTURE, catalogue)
    assert reading.exam is not None
    response: Json = loads(dumps(to_response(reading.exam, catalogue)))
    assert read(response, catalogue).accepted
    return response


def _answer(link: str, *answers: Json) -> Change:
    def change(response: Json) -> None:
        by_link(response)[link]["answer"] = list(answers)

    return change


def _add(group: str, item: Json) -> Change:
    def change(response: Json) -> None:
        by_link(response)[group].setdefault("item", []).append(item)

    return change


def _head(name: str, value: Any) -> Change:
    def change(response: Json) -> None:
        response[name] = value

    return change


def _without(parent: str, link: str) -> Change:
    def change(response: Json) -> None:
        items = by_link(response)[parent]["item"]
        items[:] = [item for item in items if item["linkId"] != link]

    return change


def _rename(link: str, to: str) -> Change:
    def change(response: Json) -> None:
        by_link(response)[link]["linkId"] = to

    return change


def _coding(system: str, code: str) -> Json:
    return {"valueCoding": {"system": f"https://newborn-exam-adapter.invalid/fhir/CodeSystem/{system}", "code": code}}


def _quantity(**parts: Any) -> Json:
    return {"valueQuantity": parts}


UCUM, SNOMED = "http://unitsofmeasure.org", "http://snomed.info/sct"
RATE = "region.vital_signs/heart_rate/heart_rate.value"
URL = "https://newborn-exam-adapter.invalid/fhir/Questionnaire/exam-shift"

CRYING = _coding("not-examined-reason", "crying")
AMENDED = {"valueCoding": {"system": "http://hl7.org/fhir/observation-status", "code": "amended"}}

# What is changed; the rule, the place and a word of the remedy of the problem that must come of it.
CASES: dict[str, tuple[Change, str, str, str]] = {
    "no questionnaire": (_head("questionnaire", None), "no-questionnaire", "questionnaire", URL),
    "another questionnaire": (
        _head("questionnaire", "https://example.org/Questionnaire/1|1"),
        "unknown-questionnaire",
        "questionnaire",
        URL,
    ),
    "another version": (_head("questionnaire", f"{URL}|2020.1"), "other-version", "questionnaire", "form of now"),
    "in progress": (_head("status", "in-progress"), "not-completed", "status", "completed"),
    "no status": (_head("status", None), "not-completed", "status", "completed"),
    "amended, but not the exam": (_head("status", "amended"), "not-completed", "status", "exam.amends"),
    "about another newborn": (
        _head("subject", {"identifier": {"system": "https://example.org/id", "value": "another"}}),
        "other-newborn",
        "subject",
        "right infant",
    ),
    "items no list": (_head("item", {}), "wrong-type", "", "a list"),
    "unknown linkId": (
        _rename("heart_rate.value", "heart_rat.value"),
        "unknown-link-id",
        "region.vital_signs/heart_rate/heart_rat.value",
        "did you mean heart_rate.value",
    ),
    "a linkId like none": (_rename("heart_rate", "xyzzy"), "unknown-link-id", "region.vital_signs/xyzzy", "only"),
    "in the wrong group": (
        _add("about.newborn", {"linkId": "exam.place", "answer": [{"valueString": "Ward 3"}]}),
        "unknown-link-id",
        "about.newborn/exam.place",
        "about.exam/exam.place",
    ),
    "no linkId": (_add("about.exam", {"answer": []}), "no-link-id", "about.exam", "linkId"),
    "an item that is none": (lambda r: by_link(r)["about.exam"]["item"].append("x"), "no-link-id", "about.exam", ""),
    "a question inside an answer": (
        _answer("exam.id", {"valueString": "x1", "item": [{"linkId": "exam.place"}]}),
        "unknown-link-id",
        "about.exam/exam.id/exam.place",
        "about.exam/exam.place",
    ),
    "a question twice": (
        _add("about.exam", {"linkId": "exam.id", "answer": [{"valueString": "other"}]}),
        "item-twice",
        "about.exam/exam.id[2]",
        "which is right",
    ),
    "a group with an answer": (
        lambda r: by_link(r)["about.exam"].update(answer=[{"valueString": "x"}]),
        "answer-of-group",
        "about.exam",
        "questions of the group",
    ),
    "answers no list": (
        lambda r: by_link(r)["exam.id"].update(answer={"valueString": "x"}),
        "wrong-type",
        "about.exam/exam.id",
        "a list",
    ),
    "an answer that is none": (
        lambda r: by_link(r)["exam.id"].update(answer=["x"]),
        "wrong-type",
        "about.exam/exam.id",
        "an object",
    ),
    "an answer without value": (_answer("heart_rate.value", {}), "no-answer", RATE, "valueQuantity"),
    "an answer with two values": (
        _answer("heart_rate.value", {"valueString": "x", "valueInteger": 1}),
        "several-values",
        RATE,
        "valueQuantity",
    ),
    "the wrong type": (
        _answer("heart_rate.value", {"valueInteger": 140}),
        "wrong-answer-type",
        RATE,
        "valueQuantity, since the question is of type quantity",
    ),
    "a type that is not what it says": (
        _answer("heart_rate.value", {"valueQuantity": 140}),
        "wrong-type",
        RATE,
        "valueQuantity",
    ),
    "a boolean that is none": (
        _add("heart_rate", {"linkId": "heart_rate.more", "answer": [{"valueBoolean": "yes"}]}),
        "wrong-type",
        "region.vital_signs/heart_rate/heart_rate.more",
        "valueBoolean",
    ),
    "two answers to a question for one": (
        _answer("newborn.sex", *({"valueCoding": {"system": "x", "code": c}} for c in "ab")),
        "several-values",
        "about.newborn/newborn.sex",
        "the one that is right",
    ),
    "an answer outside the options": (
        _answer("femoral_pulse.left.value", _coding("exam-answer", "femoral_pulse.weakk")),
        "unknown-answer",
        "region.cardiovascular/femoral_pulse/femoral_pulse.left/femoral_pulse.left.value",
        "did you mean femoral_pulse.weak",
    ),
    "a published code where ours is asked": (
        _answer("femoral_pulse.left.value", {"valueCoding": {"system": SNOMED, "code": "260379002"}}),
        "unknown-answer",
        "region.cardiovascular/femoral_pulse/femoral_pulse.left/femoral_pulse.left.value",
        "one of femoral_pulse.",
    ),
    "the right code of another system": (
        _answer("newborn.sex", _coding("side", "male")),
        "unknown-answer",
        "about.newborn/newborn.sex",
        "http://hl7.org/fhir/administrative-gender",
    ),
    "a coding without code": (
        _answer("newborn.sex", {"valueCoding": {"display": "Male"}}),
        "unknown-answer",
        "about.newborn/newborn.sex",
        "male",
    ),
    "a quantity without number": (_answer("heart_rate.value", _quantity(unit="/min")), "not-a-number", RATE, "3.10"),
    "a number in quotes": (
        _answer("heart_rate.value", _quantity(value="140", unit="/min")),
        "not-a-number",
        RATE,
        "JSON number",
    ),
    "no unit": (_answer("heart_rate.value", _quantity(value=140)), "unit-missing", RATE, "/min"),
    "a unit that is none": (
        _answer("heart_rate.value", _quantity(value=140, unit="furlong")),
        "unknown-unit",
        RATE,
        "/min",
    ),
    "a code that is no unit": (
        _answer("heart_rate.value", _quantity(value=140, system=UCUM, code="furlong")),
        "unknown-unit",
        RATE,
        "/min",
    ),
    "a code of another system": (
        _answer("heart_rate.value", _quantity(value=140, system="https://example.org", code="/min")),
        "unknown-unit",
        RATE,
        "UCUM",
    ),
    "unit and code that differ": (
        _answer("heart_rate.value", _quantity(value=140, unit="g", system=UCUM, code="/min")),
        "unit-and-code",
        RATE,
        "/min",
    ),
    "a unit of something else": (
        _answer("heart_rate.value", _quantity(value=140, unit="g")),
        "wrong-dimension",
        RATE,
        "/min",
    ),
    "impossible": (
        _answer("heart_rate.value", _quantity(value=1400, unit="/min")),
        "impossible-value",
        RATE,
        "measure again",
    ),
    "no comparator": (
        _answer("heart_rate.value", _quantity(value=140, unit="/min", comparator="~")),
        "unknown-word",
        RATE,
        "<",
    ),
    "numbers in different units": (
        _answer("blood_pressure.component.diastolic", _quantity(value=6, unit="kPa")),
        "mixed-units",
        "further.vital_signs/blood_pressure",
        "one unit",
    ),
    "a comparator on one of several numbers": (
        _answer("blood_pressure.component.diastolic", _quantity(value=46, unit="mmHg", comparator="<")),
        "wrong-kind-of-value",
        "further.vital_signs/blood_pressure",
        "number alone",
    ),
    "a second part alone": (
        lambda r: by_link(r)["weight"].update(
            item=[{"linkId": "weight.details", "item": [
                {"linkId": "weight.plus", "answer": [_quantity(value=4, unit="oz")]}]}]
        ),
        "wrong-parts",
        "region.measurements/weight",
        "both",
    ),
    "answered and not examined": (
        _add("heart_rate", {"linkId": "heart_rate.not_examined", "answer": [CRYING]}),
        "value-and-not-examined",
        "region.vital_signs/heart_rate",
        "one of value, not_examined",
    ),
    "a reason that is none": (
        _answer("weight.not_examined", _coding("not-examined-reason", "tired")),
        "unknown-answer",
        "region.measurements/weight/weight.not_examined",
        "crying",
    ),
    "a note without an answer": (
        _without("heart_rate", "heart_rate.value"),
        "no-answer",
        "region.vital_signs/heart_rate",
        "one of value, not_examined",
    ),
    "no birth time": (
        _without("about.newborn", "newborn.birth_time"),
        "missing-field",
        "about.newborn/newborn.birth_time",
        "birth_time",
    ),
    "no identifier": (
        _without("about.newborn", "newborn.identifiers"),
        "missing-field",
        "about.newborn/newborn.identifiers",
        "identifiers",
    ),
    "an identifier without its system": (
        _without("newborn.identifiers", "newborn.identifiers.system"),
        "missing-field",
        "about.newborn/newborn.identifiers/newborn.identifiers.system",
        "system",
    ),
    "no examiner": (
        _without("about.exam", "exam.examiners"),
        "missing-field",
        "about.exam/exam.examiners",
        "examiners",
    ),
    "nothing about the newborn": (
        lambda r: r.update(item=[i for i in r["item"] if i["linkId"] != "about.newborn"]),
        "missing-field",
        "about.newborn/newborn.sex",
        "sex",
    ),
    "a time without offset": (
        _answer("newborn.birth_time", {"valueDateTime": "2026-03-01T08:30:00"}),
        "not-a-time",
        "about.newborn/newborn.birth_time",
        "offset",
    ),
    "a day for a time": (
        _answer("exam.started", {"valueDateTime": "2026-03-01"}),
        "not-a-time",
        "about.exam/exam.started",
        "offset",
    ),
    "an amendment without its reason": (
        _answer("exam.status", AMENDED),
        "amendment-incomplete",
        "about.exam",
        "amends",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_each_is_found_at_its_place(name: str, response: Json, catalogue: Catalogue) -> None:
    change, rule, where, remedy = CASES[name]
    change(response)
    reading = read(response, catalogue)
    assert not reading.accepted
    found = [problem for problem in reading.errors if (problem.rule, problem.where) == (rule, where)]
    assert found, [(p.rule, p.where, p.what) for p in reading.problems]
    assert remedy in found[0].remedy
    assert found[0].file == "response.json"


def test_nothing_else_is_blamed(response: Json, catalogue: Catalogue) -> None:
    """One fault, one problem: what follows from it is not told as well."""
    for change, rule, _, _ in CASES.values():
        one = loads(dumps(response))
        change(one)
        told = {problem.rule for problem in read(one, catalogue).errors}
        if rule not in ("several-values", "wrong-type", "unknown-link-id", "missing-field"):
            assert told == {rule}


def test_all_at_once(response: Json, catalogue: Catalogue) -> None:
    """Faults of the head, of the form, of a type and of the exam itself, each with its place."""
    answers = ("unknown linkId", "an answer outside the options", "no birth time")
    for name in ("another version", "in progress", *answers):
        CASES[name][0](response)
    _answer("weight.not_examined", _coding("not-examined-reason", "tired"))(response)
    told = {problem.rule for problem in read(response, catalogue).errors}
    assert told >= {"other-version", "not-completed", "unknown-link-id", "unknown-answer", "missing-field"}


def test_a_version_that_is_not_said_is_warned_of(response: Json, catalogue: Catalogue) -> None:
    response["questionnaire"] = URL
    reading = read(response, catalogue)
    assert reading.accepted
    assert [(p.rule, p.severity) for p in reading.problems] == [("version-unsaid", Severity.WARNING)]


def test_lines_are_named(response: Json, catalogue: Catalogue, tmp_path: Path) -> None:
    """In a file made for people a problem has its line too."""
    _answer("heart_rate.value", {"valueInteger": 140})(response)
    path = tmp_path / "response.json"
    path.write_bytes(dumps(response, pretty=True))
    [reading] = read_captures(path, catalogue)
    [problem] = reading.errors
    assert problem.line is not None
    lines = path.read_text().splitlines()
    assert "heart_rate.value" in "".join(lines[problem.line - 5 : problem.line + 1])


def test_a_key_twice_is_no_guess(response: Json, catalogue: Catalogue) -> None:
    text = dumps(response).replace(b'"status":"completed"', b'"status":"completed","status":"completed"')
    found = list(_read_bytes(text, catalogue))
    assert "key-twice" in {problem.rule for problem in found}


def test_numbers_that_have_lost_their_digits(response: Json, catalogue: Catalogue) -> None:
    value = by_link(response)["heart_rate.value"]["answer"][0]["valueQuantity"]
    value["value"] = 987654
    for written, rule in ((b"NaN", "not-a-number"), (b"1.4e2", "not-a-number"), (b"true", "wrong-type")):
        text = dumps(response).replace(b"987654", written)
        found = {(p.rule, p.where) for p in _read_bytes(text, catalogue)}
        assert {where for _, where in found} == {RATE}
        assert rule in {name for name, _ in found}


def test_no_patient_data_in_what_is_told(response: Json, catalogue: Catalogue) -> None:
    by_link(response)["newborn.name"]["answer"] = [{"valueInteger": 77012}]
    by_link(response)["newborn.identifiers.value"]["answer"] = [{"valueString": "secret\nnumber"}]
    text = " ".join(str(problem) for problem in read(response, catalogue).problems)
    assert "77012" not in text
    assert "secret" not in text


def _read_bytes(text: bytes, catalogue: Catalogue) -> Any:
    [reading] = read_captures(io.BytesIO(text), catalogue, name="response.json")
    return reading.errors
