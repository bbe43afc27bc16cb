"""A form renderer that answers in UTC: the same exam with the site's time zone, never a moved birth date without it.

JavaScript's Date.prototype.toISOString (ECMA-262, section 21.4.4.36) is how such renderers write times.
"""

from __future__ import annotations

import copy
import io
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from items import Json, by_link, read, walk

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam
from adapter.fhir import to_bundle
from adapter.fhir.json import dumps
from adapter.forms import to_response
from adapter.read import read_captures, to_json
from adapter.read.questionnaire.local_time import BIRTH
from drawn import drawn

ZONE = "Europe/Berlin"
LATER = "2027-01-01T08:10:00+01:00"


@pytest.fixture(scope="module")
def berlin(tmp_path_factory: pytest.TempPathFactory) -> Catalogue:
    folder = tmp_path_factory.mktemp("berlin")
    folder.joinpath("site.yaml").write_text(f"time_zone: {ZONE}\n")
    return load_catalogue(folder)


def exam_of(born: str, started: str, catalogue: Catalogue) -> Exam:
    record = {
        "version": 1,
        "exam": {
            "id": "utc", "kind": "initial", "started": started,
            "examiners": [{"name": "N. Invented", "role": "nurse"}],
        },
        "newborn": {
            "identifiers": [{"system": "urn:oid:2.999.1", "value": "7"}], "sex": "female", "birth_time": born,
        },
        "findings": [{"item": "respiratory_rate", "value": {"value": 44, "unit": "/min"}, "observed_at": LATER}],
    }  # fmt: skip
    [reading] = read_captures(io.BytesIO(dumps(record)), catalogue, name="record.json")
    assert reading.exam is not None, reading.problems
    return reading.exam


def in_utc(response: Json, only: str = "") -> Json:
    """The response as a renderer that knows no offsets hands it over."""
    moved = copy.deepcopy(response)
    for item in walk(moved["item"]):
        for answer in item.get("answer", []):
            if "valueDateTime" in answer and only in ("", item["linkId"]):
                moment = datetime.fromisoformat(answer["valueDateTime"]).astimezone(UTC)
                answer["valueDateTime"] = moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if not only:
        del moved["authored"]
    return moved


GIRL = ("2026-07-19T00:02:00+02:00", "2026-07-19T08:00:00+02:00")


def test_a_girl_born_after_midnight(berlin: Catalogue, catalogue: Catalogue) -> None:
    exam = exam_of(*GIRL, berlin)
    response = in_utc(to_response(exam, berlin))
    assert by_link(response)[BIRTH]["answer"][0]["valueDateTime"].startswith("2026-07-18")
    reading = read(response, berlin)
    assert reading.exam is not None
    assert to_json(reading.exam) == to_json(exam)
    [patient] = [
        e["resource"] for e in to_bundle(reading.exam, berlin)["entry"] if e["resource"]["resourceType"] == "Patient"
    ]
    assert patient["birthDate"] == "2026-07-19"
    refused = read(response, catalogue)
    assert [p.rule for p in refused.errors] == ["birth-date-unknown"]
    assert refused.errors[0].where.endswith(BIRTH)
    assert "time_zone" in refused.errors[0].remedy


@pytest.mark.parametrize(
    ("born", "rule"),
    [(GIRL[0], "birth-date-unknown"), ("2026-07-19T02:02:00+02:00", "time-in-utc")],
    ids=["another day", "the same day"],
)
def test_the_other_times_tell_the_offset(born: str, rule: str, catalogue: Catalogue) -> None:
    response = in_utc(to_response(exam_of(born, GIRL[1], catalogue), catalogue), only=BIRTH)
    reading = read(response, catalogue)
    assert rule in [p.rule for p in reading.problems]
    assert reading.accepted is (rule == "time-in-utc")


def test_other_times_in_utc_are_said_once(catalogue: Catalogue) -> None:
    response = to_response(exam_of(*GIRL, catalogue), catalogue)
    for link_id in ("exam.started", "respiratory_rate.observed_at"):
        response = in_utc(response, only=link_id)
    reading = read(response, catalogue)
    assert reading.accepted
    [told] = [p for p in reading.problems if p.rule == "time-in-utc"]
    assert told.what.startswith("2 times")


def test_an_offset_that_was_said_is_kept(berlin: Catalogue, catalogue: Catalogue) -> None:
    """Born abroad: an offset that is not zero is nobody's default. Zero written as +00:00 is local time in London."""
    abroad = exam_of("2026-07-18T23:40:00+01:00", GIRL[1], berlin)
    assert read(to_response(abroad, berlin), berlin).exam == abroad
    london = exam_of("2026-01-18T23:40:00+00:00", "2026-01-19T08:00:00+00:00", catalogue)
    assert not [p for p in read(to_response(london, catalogue), catalogue).problems if p.rule.startswith("time-in")]


@drawn(40)
@given(st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1), timezones=st.just(ZoneInfo(ZONE))))
def test_any_hour_of_any_day(berlin: Catalogue, born: datetime) -> None:
    """Clock changes included: the hour that comes twice is told apart by its offset."""
    moment = born.astimezone(UTC).astimezone(ZoneInfo(ZONE)).replace(second=0, microsecond=0).isoformat()
    exam = exam_of(moment, "2027-01-01T08:00:00+01:00", berlin)
    reading = read(in_utc(to_response(exam, berlin)), berlin)
    assert reading.exam is not None
    assert to_json(reading.exam) == to_json(exam)
