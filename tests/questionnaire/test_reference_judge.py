"""The standard's own validation engine over forms, and over responses held against them (``pytest -m reference``)."""

from __future__ import annotations

import copy
import sys
from pathlib import Path

import pytest
from items import by_link

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import dumps
from adapter.forms import to_questionnaire, to_response
from adapter.read import read_captures
from drawn import usual

sys.path.append(str(Path(__file__).parents[1] / "reference"))

from judge import judge, missing

CAPTURES = sorted((Path(__file__).parents[2] / "examples" / "captures").glob("*.json"))


@pytest.mark.reference
def test_the_engine_finds_no_error(catalogue: Catalogue, every: list[Exam], tmp_path: Path) -> None:
    """Questionnaires by R4; responses by R4 and by their forms: linkIds, order, types, options, enableWhen."""
    assert missing() == []
    forms = [dumps(to_questionnaire(catalogue, kind)) for kind in catalogue.kinds]
    with_templates = to_questionnaire(catalogue, "shift", templates=True)
    templates = with_templates["contained"][-1]["entry"]
    with_templates["contained"][-1]["entry"] = templates[:: 48 if usual() else 4]  # all of them take many minutes
    files = [tmp_path / f"{n}.json" for n in range(len(forms))]
    for path, form in zip(files, forms, strict=True):
        path.write_bytes(form)
    read = [reading.exam for path in CAPTURES for reading in read_captures(path, catalogue)]
    exams = [exam for exam in read if exam is not None] + every[:: 24 if usual() else 4]
    responses = [to_response(exam, catalogue) for exam in exams]
    wrong = [copy.deepcopy(responses[0]) for _ in range(4)]
    by_link(wrong[0])["exam.id"]["answer"] = [{"valueInteger": 3}]
    by_link(wrong[1])["newborn.sex"]["answer"][0]["valueCoding"]["code"] = "girl"
    by_link(wrong[2])["exam.place" if "exam.place" in by_link(wrong[2]) else "exam.id"]["linkId"] = "xyzzy"
    wrong[3]["item"].reverse()
    heard = forms[:: 2 if usual() else 1]  # a form is long to hear, and most items are in all
    good = [*heard, dumps(with_templates), *(dumps(response) for response in responses)]
    messages = judge([*good, *(dumps(response) for response in wrong)], files)
    errors = [message for message in messages if message.is_error]
    assert [message for message in errors if message.number < len(good)] == []
    assert {message.number for message in errors} == set(range(len(good), len(good) + len(wrong)))
    unheld = [message for message in messages if message.id == "Questionnaire_QR_Q_NotFound"]
    assert unheld == []
