"""One scenario against two servers: our sandbox, and one that nobody here wrote (sekmet-fhir 0.1.1); and against a
third, HAPI FHIR JPA 8.8.0, where ``TEST_SERVERS=hapi`` asks for it.

Where they differ, and may: sekmet-fhir makes a new version of an update that changes nothing, drops the trailing
zero of 3.10, lets one transaction touch a resource twice, and does not look at If-Match of a conditional update;
HAPI FHIR does not say that an update may create (it may), writes ETags of entries without quotes, remarks on every
entry although ``return=minimal`` was preferred, calls what is not there ``processing``, creates under an id with an
If-Match that nothing can match, and writes under the id of the address where the
resource has another, and answers a GET for nothing inside a transaction without failing it.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from uuid import uuid4

import hapi_server
import pytest
from independent_server import serving

from adapter.sandbox import Store, running
from adapter.send import FhirClient, ServerRefused

SYSTEM = "urn:oid:2.999.1"  # 2.999 is the example arc of ITU-T X.660


@pytest.fixture(scope="module", params=os.environ.get("TEST_SERVERS", "sandbox,independent").split(","))
def client(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[FhirClient]:
    if request.param == "sandbox":
        with Store() as store, running(store) as url, FhirClient(url) as made:
            yield made
    else:
        folder: Path = tmp_path_factory.mktemp("independent")
        start = hapi_server.serving if request.param == "hapi" else serving
        with start(folder) as url, FhirClient(url) as made:
            yield made


class Exam:
    """A newborn and two findings under names no other test uses, as one transaction."""

    def __init__(self) -> None:
        self.key = uuid4().hex
        self.baby = f"urn:uuid:{uuid4()}"

    def bundle(self, *more: dict[str, Any], status: str = "final", type_: str = "transaction") -> dict[str, Any]:
        newborn = {"resourceType": "Patient", "identifier": [{"system": SYSTEM, "value": self.key}]}
        request = {"method": "POST", "url": "Patient", "ifNoneExist": f"identifier={SYSTEM}|{self.key}"}
        first = {"fullUrl": self.baby, "resource": newborn, "request": request}
        findings = [self.finding(name, code, status) for name, code in (("hr", "8867-4"), ("rr", "9279-1"))]
        return {"resourceType": "Bundle", "type": type_, "entry": [first, *findings, *more]}

    def finding(self, name: str, code: str, status: str) -> dict[str, Any]:
        """Heart and respiratory rate by the R4 vital-signs table: LOINC, UCUM /min."""
        category = "http://terminology.hl7.org/CodeSystem/observation-category"
        resource = {
            "resourceType": "Observation",
            "identifier": [{"system": SYSTEM, "value": f"{self.key}/{name}"}],
            "status": status,
            "category": [{"coding": [{"system": category, "code": "vital-signs"}]}],
            "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
            "subject": {"reference": self.baby},
            "effectiveDateTime": "2024-05-01T10:00:00+02:00",
            "valueQuantity": {
                "value": 132,
                "unit": "/min",
                "system": "http://unitsofmeasure.org",
                "code": "/min",
            },
        }
        url = f"Observation?identifier={SYSTEM}|{self.key}/{name}"
        return {"fullUrl": f"urn:uuid:{uuid4()}", "resource": resource, "request": {"method": "PUT", "url": url}}


def baby_of(client: FhirClient, exam: Exam) -> str:
    [baby] = client.search("Patient", {"identifier": f"{SYSTEM}|{exam.key}"})
    return str(baby["id"])


def test_it_says_what_it_is(client: FhirClient) -> None:
    statement = client.capabilities()
    assert statement["fhirVersion"] == "4.0.1"
    assert "transaction" in {i["code"] for i in statement["rest"][0]["interaction"]}


def test_sent_three_times_it_is_there_once(client: FhirClient) -> None:
    exam = Exam()
    sends = [client.transaction(exam.bundle()) for _ in range(3)]
    assert [[o.status for o in send] for send in sends] == [[201, 201, 201], [200, 200, 200], [200, 200, 200]]
    found = list(client.search("Observation", {"patient": baby_of(client, exam)}))
    assert len(found) == 2
    assert {o["subject"]["reference"] for o in found} == {f"Patient/{baby_of(client, exam)}"}


def test_an_amended_exam_updates_in_place(client: FhirClient) -> None:
    exam = Exam()
    first = client.transaction(exam.bundle())
    second = client.transaction(exam.bundle(status="amended"))
    places = [[o.location.partition("/_history")[0] for o in outcomes] for outcomes in (first, second)]
    assert places[0] == places[1]
    assert [o.version for o in second] == ["1", "2", "2"]
    found = client.search("Observation", {"patient": baby_of(client, exam)})
    assert [o["status"] for o in found] == ["amended", "amended"]


@pytest.mark.parametrize(
    ("params", "count"),
    [
        ({"code": "http://loinc.org|8867-4"}, 1),
        ({"code": "8867-4,9279-1"}, 2),
        ({"category": "vital-signs"}, 2),
        ({"category": "exam"}, 0),
        ({"status": "final"}, 2),
        ({"date": "2024-05-01"}, 2),
        ({"date": ["ge2024-05-01T08:00:00Z", "lt2024-05-01T08:00:01Z"]}, 2),
        ({"date": "gt2024-05-01T10:00:00+02:00"}, 0),
        ({"date": "lt2024-05-01T10:00:00+02:00"}, 0),
        ({"date": "2024-05"}, 2),
        ({"_count": "1"}, 2),
    ],
)
def test_searches(client: FhirClient, params: dict[str, Any], count: int) -> None:
    exam = Exam()
    client.transaction(exam.bundle())
    found = list(client.search("Observation", {"patient": baby_of(client, exam), **params}))
    assert len({o["id"] for o in found}) == len(found) == count


def stale(client: FhirClient) -> dict[str, Any]:
    """An update of a version that is not there any more."""
    exam = Exam()
    outcomes = [client.transaction(exam.bundle(status=status))[1] for status in ("final", "amended")]
    [found] = client.search("Observation", {"identifier": f"{SYSTEM}|{exam.key}/hr"})
    kept = {key: value for key, value in found.items() if key != "meta"}
    request = {"method": "PUT", "url": outcomes[0].place, "ifMatch": f'W/"{outcomes[0].version}"'}
    return {"resource": {**kept, "status": "final"}, "request": request}


def several(client: FhirClient) -> dict[str, Any]:
    """An update by criteria that find two."""
    key = uuid4().hex
    newborn = {"resourceType": "Patient", "identifier": [{"system": SYSTEM, "value": key}]}
    for _ in range(2):
        client.carry_out({"resource": newborn, "request": {"method": "POST", "url": "Patient"}})
    return {"resource": newborn, "request": {"method": "PUT", "url": f"Patient?identifier={SYSTEM}|{key}"}}


@pytest.mark.parametrize("wrong", [stale, several])
def test_a_transaction_that_fails_leaves_nothing(
    client: FhirClient, wrong: Callable[[FhirClient], dict[str, Any]]
) -> None:
    # FHIR R4 http.html 3.1.0.11: all or nothing; 3.1.0.5: a stale If-Match is 412 (or 409); 3.1.0.4.3: several.
    exam = Exam()
    more = wrong(client)
    with pytest.raises(ServerRefused) as caught:
        client.transaction(exam.bundle(more))
    assert 400 <= caught.value.status < 500
    assert wrong is not stale or caught.value.status in (409, 412)
    assert caught.value.problems[0].what
    assert list(client.search("Patient", {"identifier": f"{SYSTEM}|{exam.key}"})) == []
    for name in ("hr", "rr"):
        assert list(client.search("Observation", {"identifier": f"{SYSTEM}|{exam.key}/{name}"})) == []


def test_a_reference_that_nothing_resolves(client: FhirClient) -> None:
    exam = Exam()
    lost = exam.finding("lost", "8867-4", "final")
    lost["resource"]["subject"] = {"reference": f"urn:uuid:{uuid4()}"}
    with pytest.raises(ServerRefused):
        client.transaction(exam.bundle(lost))
    assert list(client.search("Patient", {"identifier": f"{SYSTEM}|{exam.key}"})) == []


def test_what_is_not_there(client: FhirClient) -> None:
    with pytest.raises(ServerRefused) as caught:
        client.read("Patient", "nobody-at-all")
    assert caught.value.status == 404
    assert caught.value.problems[0].rule in ("not-found", "processing")


def test_a_batch_says_entry_by_entry(client: FhirClient) -> None:
    missing = {"request": {"method": "GET", "url": "Patient/nobody-at-all"}}
    exam = Exam()
    batch = {"resourceType": "Bundle", "type": "batch", "entry": [missing, exam.bundle()["entry"][0]]}
    outcomes = client.transaction(batch)
    assert [o.status for o in outcomes] == [404, 201]
    assert outcomes[0].outcome_problems
    assert baby_of(client, exam)
