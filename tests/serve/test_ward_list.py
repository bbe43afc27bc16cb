"""The newborns of the hospital's server, from a sandbox over real sockets, to the page.

Patient, RelatedPerson, Encounter, Observation and DiagnosticReport as FHIR R4 defines them; all of them invented.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from adapter.catalogue import Catalogue
from adapter.cli.page_server import listed
from adapter.exam import Exam
from adapter.fhir import json as fhir_json
from adapter.fhir import to_bundle
from adapter.forms.serve import Filing, running
from adapter.read import read_captures
from adapter.sandbox import Store
from adapter.sandbox import running as sandbox
from adapter.send import FhirClient, Unreachable, ward_list
from adapter.send.rest.ward import NoSuchWard
from adapter.send.target import target_of

CAPTURES = Path(__file__).parents[2] / "examples" / "captures"
TWINS = ("d08a-first-twin-girl", "d08b-second-twin-boy")
MORNING = datetime.fromisoformat("2026-07-19T08:00:00+02:00")
_JSON = {"Content-Type": "application/fhir+json"}


def _twins(catalogue: Catalogue) -> list[Exam]:
    found = [reading.exam for p in sorted(CAPTURES.glob("d08*.json")) for reading in read_captures(p, catalogue)]
    return [exam for exam in found if exam is not None]


@contextmanager
def _hospital(catalogue: Catalogue, *others: dict[str, Any]) -> Iterator[str]:
    with Store() as store, sandbox(store) as url, httpx.Client(trust_env=False) as http:
        for exam in _twins(catalogue):
            http.post(url, content=fhir_json.dumps(to_bundle(exam, catalogue)), headers=_JSON).raise_for_status()
        for one in others:
            where = f"{url}/{one['resourceType']}/{one['id']}"
            http.put(where, content=fhir_json.dumps(one), headers=_JSON).raise_for_status()
        yield url


def _patient(id_: str, **more: Any) -> dict[str, Any]:
    number = [{"system": "https://hospital.invalid/mrn", "value": id_}]
    return {"resourceType": "Patient", "id": id_, "identifier": number, "birthDate": "2026-07-18", **more}


def _stay(id_: str, location: str, status: str = "in-progress") -> dict[str, Any]:
    return {
        "resourceType": "Encounter",
        "id": f"stay-{id_}",
        "status": status,
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "subject": {"reference": f"Patient/{id_}"},
        "location": [{"location": {"reference": f"Location/{location}"}}],
    }


_WARDS = [
    {"resourceType": "Location", "id": one, "identifier": [{"system": "https://hospital.invalid/ward", "value": one}]}
    for one in ("w3", "w4")
]


def test_the_twins_with_mother_stay_exams_and_context(catalogue: Catalogue) -> None:
    first, second = sorted(_twins(catalogue), key=lambda exam: exam.newborn.birth_order.order)  # type: ignore[union-attr]
    with _hospital(catalogue) as url, FhirClient(url) as client:
        found = ward_list(client, catalogue, now=MORNING)
    assert (found.time, found.without_number) == ("2026-07-19T08:00:00+02:00", 0)
    by_order = {one.newborn["birth_order"]["order"]: one for one in found.newborns}
    for order, exam in ((1, first), (2, second)):
        one, known = by_order[order], exam.newborn
        assert one.newborn["name"] == known.name
        assert one.newborn["sex"] == known.sex.value
        assert datetime.fromisoformat(one.newborn["birth_time"]) == known.birth_time
        assert [i["value"] for i in one.newborn["identifiers"]] == [i.value for i in known.identifiers]
        assert known.mother is not None
        assert [i["value"] for i in one.newborn["mother"]["identifiers"]] == [
            i.value for i in known.mother.identifiers
        ]
        assert known.gestation is not None
        assert one.newborn["gestation"] == {"weeks": known.gestation.weeks, "days": known.gestation.days}
        assert one.encounter is not None
        assert exam.details.encounter is not None
        assert one.encounter["value"] == exam.details.encounter.value
        assert [made["kind"] for made in one.exams] == [exam.details.kind]
        weight = next(f.value for f in exam.findings if f.item == "birth_weight")
        assert one.birth_weight == str(weight)
    assert by_order[1].newborn["identifiers"] != by_order[2].newborn["identifiers"]


def test_who_is_left_out(catalogue: Catalogue) -> None:
    others = [
        _patient("plain", name=[{"given": ["Girl"], "family": "Invented"}]),
        _patient("older", birthDate="2026-07-01"),
        _patient("died", deceasedBoolean=True),
        _patient("unused", active=False),
        _patient("merged", link=[{"type": "replaced-by", "other": {"reference": "Patient/plain"}}]),
        {**_patient("nameless"), "identifier": [{"value": "x"}]},
    ]
    with _hospital(catalogue, *others) as url, FhirClient(url) as client:
        found = ward_list(client, catalogue, now=MORNING)
        later = ward_list(client, catalogue, now=MORNING + timedelta(days=9))
    [plain] = [one for one in found.newborns if "birth_order" not in one.newborn]
    assert plain.newborn["name"] == "Girl Invented"
    assert "birth_time" not in plain.newborn, "a date is no time of birth"
    assert plain.birth_date == "2026-07-18"
    assert (plain.encounter, plain.birth_weight, plain.exams) == (None, "", ())
    assert found.without_number == 1
    assert later.newborns == ()


@pytest.mark.parametrize(
    ("born", "listed_still"),
    [("2026-07-14T08:00:00+02:00", True), ("2026-07-14T06:00:00Z", True), ("2026-07-14T07:59:59+02:00", False)],
)
def test_born_at_the_very_moment_five_days_ago_is_listed(born: str, listed_still: bool, catalogue: Catalogue) -> None:
    time = {"url": "http://hl7.org/fhir/StructureDefinition/patient-birthTime", "valueDateTime": born}
    one = _patient("then", birthDate="2026-07-14", _birthDate={"extension": [time]})
    with _hospital(catalogue, one) as url, FhirClient(url) as client:
        found = ward_list(client, catalogue, now=MORNING)
    names = [newborn.newborn["identifiers"][0]["value"] for newborn in found.newborns]
    assert ("then" in names) is listed_still


@pytest.mark.parametrize("location", ["w3", "Location/w3", "https://hospital.invalid/ward|w3"])
def test_one_ward_alone(location: str, catalogue: Catalogue) -> None:
    people = [_patient("here"), _patient("there"), _patient("left")]
    stays = [_stay("here", "w3"), _stay("there", "w4"), _stay("left", "w3", "finished")]
    with _hospital(catalogue, *_WARDS, *people, *stays) as url, FhirClient(url) as client:
        found = ward_list(client, catalogue, location=location, now=MORNING)
        with pytest.raises(NoSuchWard, match="no location of this identifier"):
            ward_list(client, catalogue, location="https://hospital.invalid/ward|w9", now=MORNING)
    assert [one.newborn["identifiers"][0]["value"] for one in found.newborns] == ["here"]


@pytest.mark.parametrize(
    ("value", "unit", "gestation"),
    [(261, "d", {"weeks": 37, "days": 2}), (39, "wk", {"weeks": 39}), (39.4, "wk", {"weeks": 39}), (3, "wk", None)],
)
def test_weeks_with_a_fraction_are_no_days(value: float, unit: str, gestation: Any, catalogue: Catalogue) -> None:
    quantity = {"value": value, "system": "http://unitsofmeasure.org", "code": unit}
    seen = {
        "resourceType": "Observation",
        "id": "g",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "76516-4"}]},
        "subject": {"reference": "Patient/one"},
        "valueQuantity": quantity,
    }
    with Store() as store, sandbox(store) as url, httpx.Client(trust_env=False) as http:
        for one in (_patient("one"), seen):
            where = f"{url}/{one['resourceType']}/{one['id']}"
            http.put(where, content=fhir_json.dumps(one), headers=_JSON).raise_for_status()
        with FhirClient(url) as client:
            [found] = ward_list(client, catalogue, now=MORNING).newborns
    assert found.newborn.get("gestation") == gestation


def test_the_page_asks_and_strangers_may_not(tmp_path: Path, catalogue: Catalogue) -> None:
    with _hospital(catalogue) as fhir, Filing(tmp_path, catalogue) as filing:
        target = target_of({"url": fhir}, "the test")
        with (
            listed(target, catalogue, 5000, "") as ward,
            running(b"<p>", filing, ward=ward) as url,
            httpx.Client(trust_env=False) as http,
        ):
            answer = http.get(f"{url}ward")
            assert answer.status_code == 200
            assert answer.headers["cache-control"] == "no-store"
            assert {one["newborn"]["birth_order"]["order"] for one in answer.json()["newborns"]} == {1, 2}
            assert http.get(f"{url}ward", headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
        with running(b"<p>", filing) as url:
            assert httpx.get(f"{url}ward", trust_env=False).status_code == 404


def test_a_server_that_is_away(tmp_path: Path, catalogue: Catalogue) -> None:
    def away() -> dict[str, Any]:
        raise Unreachable("no answer")

    with Filing(tmp_path, catalogue) as filing, running(b"<p>", filing, ward=away) as url:
        answer = httpx.get(f"{url}ward", trust_env=False)
    assert (answer.status_code, answer.json()["problems"][0]["rule"]) == (502, "server-away")
