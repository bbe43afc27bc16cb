"""Resources that stand alone beside others: whatever they are, nothing breaks off, and the exams beside them come."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.every_use import every_exam
from adapter.fhir.json import dumps
from adapter.forms.questionnaire import to_response
from adapter.run.exams import cut_for, readings_of
from adapter.run.inputs import pieces_of
from adapter.write.bulk_data import lines_of
from drawn import drawn

CATALOGUE = load_catalogue()
EXAMS = [exam.model_copy(update={"findings": exam.findings[:4]}) for exam in every_exam(CATALOGUE)[:2]]
LINES = [[json.loads(line.content) for line in lines_of(exam, CATALOGUE)] for exam in EXAMS]


def readings(folder: Path) -> list[tuple[str, int]]:
    """The exams that come out of a folder, each with how many errors."""
    pieces = pieces_of([folder], cut_for(CATALOGUE, None))
    found = [reading for piece in pieces if piece.has_exams for reading in readings_of(piece, CATALOGUE)]
    return [(reading.exam.details.id if reading.exam else "", len(reading.errors)) for reading in found]


def export(folder: Path, resources: list[dict[str, Any]], name: str = "all.ndjson") -> None:
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(b"".join(dumps(one) + b"\n" for one in resources))


@pytest.mark.parametrize("form", ["json", "ndjson"])
@pytest.mark.parametrize("change", ["as it is", "keys sorted", "contained first", "with an id"])
def test_a_questionnaire_response_beside_an_export(form: str, change: str, tmp_path: Path) -> None:
    """QuestionnaireResponse.identifier is one object in R4, and its type need not come first in the text."""
    given_ = to_response(EXAMS[1], CATALOGUE)
    assert isinstance(given_["identifier"], dict)
    if change == "keys sorted":
        given_ = dict(sorted(given_.items()))
    elif change == "contained first":
        given_ = {"contained": [{"resourceType": "Patient", "id": "p"}], **given_}
    elif change == "with an id":
        given_ = {"id": "response-1", **given_}
    export(tmp_path / "given", LINES[0])
    path = tmp_path / "given" / f"response.{form}"
    path.write_bytes(dumps(given_, pretty=form == "json") + b"\n")
    found = readings(tmp_path / "given")
    assert sorted(found) == sorted((exam.details.id, 0) for exam in EXAMS)


ODD = st.sampled_from([None, 3, "text", {}, [], {"system": "s", "value": "v"}, [[]], ["x"], [{"reference": 4}]])


@given(st.data())
@drawn(50)
def test_no_odd_resource_stops_what_is_beside_it(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.mktemp("odd")
    changed = json.loads(json.dumps(LINES[1]))
    one = data.draw(st.sampled_from([r for r in changed if r["resourceType"] not in ("Device", "Practitioner")]))
    one[data.draw(st.sampled_from([name for name in one if name != "id"]))] = data.draw(ODD)
    export(folder / "given", [*LINES[0], *changed])
    assert (EXAMS[0].details.id, 0) in readings(folder / "given")


def test_a_report_that_is_none_of_ours_is_said(tmp_path: Path, catalogue: Catalogue) -> None:
    report = next(one for one in LINES[0] if one["resourceType"] == "DiagnosticReport")
    export(tmp_path / "given", [{**report, "identifier": report["identifier"][0]}])
    (piece,) = pieces_of([tmp_path / "given"], cut_for(catalogue, None))
    assert piece.fault is not None
    assert piece.fault.rule == "no-exam"


def deleted(*names: str) -> dict[str, Any]:
    """As the files of ``deleted`` in a manifest have it (Bulk Data Access 2.0.0, "Response - Complete Status")."""
    entries = [{"request": {"method": "DELETE", "url": name}} for name in names]
    return {"resourceType": "Bundle", "id": "gone", "type": "transaction", "entry": entries}


def test_what_was_deleted_on_the_server_takes_its_exam_out(tmp_path: Path, catalogue: Catalogue) -> None:
    """Said as left out; what comes again after it is there again, and an exam that lost a finding is refused."""
    reports = [
        f"DiagnosticReport/{one['id']}" for ls in LINES for one in ls if one["resourceType"] == "DiagnosticReport"
    ]
    export(tmp_path / "given", [*LINES[0], *LINES[1], deleted(reports[0])])
    assert readings(tmp_path / "given") == [(EXAMS[1].details.id, 0)]
    (gone,) = [piece for piece in pieces_of([tmp_path / "given"], cut_for(catalogue, None)) if piece.left_out]
    assert gone.left_out == "deleted on the server"
    export(tmp_path / "again", [*LINES[0], deleted(*reports), *LINES[0], *LINES[1]])
    assert readings(tmp_path / "again") == [(exam.details.id, 0) for exam in EXAMS]
    finding = [f"Observation/{one['id']}" for one in LINES[0] if one["resourceType"] == "Observation"][-1]
    export(tmp_path / "less", [*LINES[0], deleted(f"https://fhir.invalid/r4/{finding}")])
    (left,) = readings(tmp_path / "less")
    assert left[1] > 0
