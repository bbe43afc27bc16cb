"""The urgency between now and the next round, through every form that says how soon.

That hospitals call for three steps is common practice. FHIR R4 request-priority (4.0.1): urgent "promptly", asap "as
soon as possible - higher priority than urgent", stat "immediately - highest possible priority".
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive import judged_findings, section_key, sections, series_list, tell_list, worst
from adapter.exam import Exam, Finding, Urgency
from adapter.fhir import BundleType, to_bundle
from adapter.forms.page import page_data
from adapter.forms.serve.filing import answer
from adapter.forms.worksheet import to_worksheet
from adapter.read import read_captures, to_json
from adapter.write import write
from adapter.write.tables import TABLES
from adapter.write.tables.exams import columns

SITE = """
region: face
label: Face
items:
- id: jaw
  answers:
  - {id: small_receding, label: Small and receding, meaning: abnormal, urgency: tell-soon}
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
    folder = tmp_path_factory.mktemp("site")
    (folder / "regions").mkdir()
    (folder / "regions" / "face.yaml").write_text(SITE, encoding="utf-8")
    return load_catalogue(folder)


def exam(*findings: Finding) -> Exam:
    born = datetime.fromisoformat("2026-03-01T00:30:00+01:00")
    start = born + timedelta(hours=20)
    return Exam.model_validate(
        {
            "version": 1,
            "exam": {
                "id": "shift-1",
                "kind": "initial",
                "started": start.isoformat(),
                "status": "final",
                "examiners": [{"name": "Invented", "role": "nurse"}],
            },
            "newborn": {
                "identifiers": [{"system": "mrn", "value": "0"}],
                "name": "Girl Invented",
                "sex": "female",
                "birth_time": born.isoformat(),
            },
            "findings": [finding.model_dump(exclude_none=True) for finding in findings],
        }
    )


NOW = Finding(item="abdomen_shape", value="distended_tense")
SOON = Finding(item="jaw", value="small_receding")
NEXT = Finding(item="vomiting", value="none", urgency=Urgency.TELL)


def test_from_the_least_to_the_most_urgent() -> None:
    assert list(Urgency) == ["none", "tell", "tell-soon", "tell-now"]
    assert worst(Urgency.TELL, Urgency.TELL_SOON) is Urgency.TELL_SOON
    assert worst(Urgency.TELL_NOW, Urgency.TELL_SOON, None) is Urgency.TELL_NOW
    assert worst(None) is Urgency.NONE


def test_it_stands_between_now_and_the_next_round(site: Catalogue) -> None:
    one = exam(NEXT, SOON, NOW)
    by_urgency = [
        (site.words.say(f"tell.within.{section_key(urgency)}"), len(found))
        for urgency, found in sections(series_list((), one, site))
    ][:3]
    assert by_urgency == [
        ("tell the provider now", 1),
        ("tell the provider within this shift", 1),
        ("tell the provider at the next round", 1),
    ]


def test_the_hospital_can_route_it_by_its_priority(site: Catalogue) -> None:
    bundle = to_bundle(exam(NEXT, SOON, NOW), site, BundleType.COLLECTION)
    found = [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "CommunicationRequest"]
    assert [one["priority"] for one in found] == ["stat", "asap", "urgent", "routine"]
    assert found[1]["identifier"][0]["value"] == "shift-1/this-shift"
    assert "Small and receding" in found[1]["payload"][0]["contentString"]
    report = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "DiagnosticReport")
    assert "\nTell this shift: Jaw" in report["conclusion"]


def test_every_form_says_so(site: Catalogue, tmp_path: Path) -> None:
    one = exam(NEXT, SOON, NOW)
    message = write(one, site, "v2", "er7").decode()
    told = [line.split("|") for line in message.split("\r") if line.startswith("OBX") and "tell.this-shift" in line]
    assert [line[8] for line in told] == ["A"]
    assert "Small and receding" in told[0][5]
    report = write(one, site, "report", "html").decode()
    assert "Tell the provider within this shift (1)" in report
    assert "abnormal; tell this shift" in report
    sheet = re.sub(r"<[^>]*>|\s", "", to_worksheet(site, "initial").decode())
    assert "Smallandreceding!s" in sheet
    assert "!swithinthisshift" in sheet
    row = dict(zip((c.name for c in columns(site)), next(iter(TABLES["exams"].rows(one, site))), strict=True))
    assert (row["tell_now"], row["tell_soon"], row["tell"], row["urgency"]) == (1, 1, 1, "tell-now")
    shown = answer(200, tells=tell_list(one, judged_findings(one, site)[0], site)).body["tell"]
    assert [len(shown[name]) for name in ("now", "soon", "next")] == [1, 1, 1]


def test_the_examiner_may_mark_a_finding_so(tmp_path: Path) -> None:
    marked = exam(Finding(item="cry", value="strong_lusty", urgency=Urgency.TELL_SOON))
    file = tmp_path / "marked.json"
    file.write_bytes(to_json(marked))
    (reading,) = read_captures(file, load_catalogue())
    assert reading.exam is not None
    assert reading.exam.findings[0].urgency is Urgency.TELL_SOON


def test_the_page_has_its_word(site: Catalogue) -> None:
    data = page_data(site, None, served=False)
    assert [one[1] for one in data["urgencies"]] == [
        site.words.say(f"tell.within.{section_key(one)}") for one in Urgency
    ]
    assert data["urgencies"][2][0] == "tell this shift"
