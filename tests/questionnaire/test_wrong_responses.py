"""Everything that can be wrong with a response: found at its linkId, with what would be right, and all at once.

FHIR R4 QuestionnaireResponse (section 2.43) says what a response must be; HL7 SDC 4.0.0, *Form Data Extraction*, that
only a completed one is read, by the url and version that it names.
"""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from items import by_link, read
from wrong_responses import CASES, RATE, UCUM, URL, Json, answer, coding

from adapter.catalogue import Catalogue, load_catalogue
from adapter.fhir.json import dumps, loads
from adapter.forms import to_response
from adapter.problems import Severity
from adapter.read import read_captures
from drawn import drawn

CAPTURE = Path(__file__).parents[2] / "examples" / "captures" / "d05-boy-weak-femorals-failed-screen.json"


CATALOGUE = load_catalogue()


def _good() -> bytes:
    [reading] = read_captures(CAPTURE, CATALOGUE)
    assert reading.exam is not None
    return dumps(to_response(reading.exam, CATALOGUE))


_GOOD = _good()


@pytest.fixture
def response() -> Json:
    response: Json = loads(_GOOD)
    assert read(response, CATALOGUE).accepted
    return response


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


_ANY_JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-9, 999)
    | st.text(max_size=5)
    | st.sampled_from(["heart_rate", UCUM, "g"]),
    lambda inner: (
        st.lists(inner, max_size=2)
        | st.dictionaries(
            st.sampled_from(["linkId", "item", "answer", "valueCoding", "unit", "code"]), inner, max_size=3
        )
    ),
    max_leaves=4,
)


@drawn(300)
@given(st.data())
def test_whatever_stands_wherever_is_told_and_never_a_fault(data: st.DataObject) -> None:
    """Property: any part of a response may hold anything; it is read or refused with words and a remedy."""
    response = loads(_GOOD)
    places = list(_places(response))
    for holder, key in data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=3)):
        holder[key] = data.draw(_ANY_JSON)
    reading = read(response, CATALOGUE)
    assert reading.accepted or reading.errors
    for problem in reading.problems:
        assert problem.what
        assert problem.remedy


def _places(value: Any) -> Any:
    """Every place of a JSON value that can be filled with something else: holder and key."""
    for key, one in value.items() if isinstance(value, dict) else enumerate(value):
        yield value, key
        if isinstance(one, (dict, list)):
            yield from _places(one)


def test_all_at_once(response: Json, catalogue: Catalogue) -> None:
    """Faults of the head, of the form, of a type and of the exam itself, each with its place."""
    answers = ("unknown linkId", "an answer outside the options", "no birth time")
    for name in ("another version", "in progress", *answers):
        CASES[name][0](response)
    answer("weight.not_examined", coding("not-examined-reason", "tired"))(response)
    told = {problem.rule for problem in read(response, catalogue).errors}
    assert told >= {"other-version", "not-completed", "unknown-link-id", "unknown-answer", "missing-field"}


def test_a_version_that_is_not_said_is_warned_of(response: Json, catalogue: Catalogue) -> None:
    response["questionnaire"] = URL
    reading = read(response, catalogue)
    assert reading.accepted
    assert [(p.rule, p.severity) for p in reading.problems] == [("version-unsaid", Severity.WARNING)]


def test_lines_are_named(response: Json, catalogue: Catalogue, tmp_path: Path) -> None:
    """In a file made for people a problem has its line too."""
    answer("heart_rate.value", {"valueInteger": 140})(response)
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
