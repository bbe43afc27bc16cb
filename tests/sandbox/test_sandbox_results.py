"""What a search brings along and in which order (R4 search.html 3.1.1.5), and when things changed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from sandbox_resources import observation, patient

from adapter.fhir import json as fhir_json
from adapter.sandbox import Store, running

JSON = {"Content-Type": "application/fhir+json"}


def put(http: httpx.Client, resource: dict[str, Any]) -> httpx.Response:
    answer = http.put(f"{resource['resourceType']}/{resource['id']}", content=fhir_json.dumps(resource), headers=JSON)
    assert answer.status_code in (200, 201), answer.text
    return answer


def report(id_: str, *results: str) -> dict[str, Any]:
    return {
        "resourceType": "DiagnosticReport",
        "id": id_,
        "status": "final",
        "code": {"text": "exam"},
        "subject": {"reference": "Patient/a"},
        "result": [{"reference": result} for result in results],
    }


@pytest.fixture(scope="module")
def ward() -> Iterator[httpx.Client]:
    """An exam: a report, its panel, the panel's two findings; and a finding of another newborn."""
    with (
        Store() as store,
        running(store) as url,
        httpx.Client(base_url=f"{url}/", trust_env=False) as http,
    ):
        mine = {"subject": {"reference": "Patient/a"}, "encounter": {"reference": "Encounter/e"}}
        put(http, patient("a", id="a"))
        put(http, patient("b", id="b"))
        put(
            http,
            {
                "resourceType": "Encounter",
                "id": "e",
                "status": "in-progress",
                "class": {"code": "IMP"},
                "subject": {"reference": "Patient/a"},
            },
        )
        put(http, observation("late", id="late", effectiveDateTime="2024-05-03T08:00:00Z", **mine))
        put(http, observation("early", id="early", effectiveDateTime="2024-05-01T08:00:00Z", **mine))
        members = [{"reference": "Observation/late"}, {"reference": f"{url}/Observation/early"}]
        put(http, observation("panel", id="panel", effectiveDateTime="2024-05-02", hasMember=members, **mine))
        undated = observation("none", id="none", subject={"reference": "Patient/b"})
        del undated["effectiveDateTime"]
        put(http, undated)
        put(http, report("r", "Observation/panel", "Observation/gone"))
        yield http


def by_mode(http: httpx.Client, url: str) -> tuple[list[str], set[str]]:
    """The matches in order, and what came along; the total counts the matches only (3.1.1.5.4)."""
    answer = http.get(url)
    assert answer.status_code == 200, answer.text
    found: dict[str, list[str]] = {"match": [], "include": []}
    for entry in answer.json().get("entry", []):
        resource = entry["resource"]
        assert entry["fullUrl"].endswith(f"/{resource['resourceType']}/{resource['id']}")
        found[entry["search"]["mode"]].append(f"{resource['resourceType']}/{resource['id']}")
    assert answer.json()["total"] == len(found["match"])
    assert len(found["include"]) == len(set(found["include"]))
    return found["match"], set(found["include"])


MEMBERS = {"Observation/late", "Observation/early"}


@pytest.mark.parametrize(
    ("url", "included"),
    [
        ("Observation?_include=Observation:subject", {"Patient/a", "Patient/b"}),
        ("Observation?_id=late&_include=Observation:subject", {"Patient/a"}),
        ("Observation?_id=late&_include=Observation:subject:Patient", {"Patient/a"}),
        ("Observation?_id=late&_include=Observation:subject:Device", set()),
        ("Observation?_id=late&_include=Observation:patient", {"Patient/a"}),
        ("Observation?_id=late&_include=Observation:encounter", {"Encounter/e"}),
        (
            "Observation?_id=late&_include=Observation:subject&_include=Observation:encounter",
            {"Patient/a", "Encounter/e"},
        ),
        # An inclusion along another type's parameter finds nothing on these matches.
        ("Observation?_id=late&_include=DiagnosticReport:result", set()),
        # What is not there cannot come along; an absolute reference to this server is one of its own.
        ("DiagnosticReport?_include=DiagnosticReport:result", {"Observation/panel"}),
        ("Observation?_id=panel&_include=Observation:has-member", MEMBERS),
        # Only with iterate is what came along followed in turn.
        ("DiagnosticReport?_include=DiagnosticReport:result&_include=Observation:has-member", {"Observation/panel"}),
        (
            "DiagnosticReport?_include=DiagnosticReport:result&_include:iterate=Observation:has-member",
            {"Observation/panel", *MEMBERS},
        ),
        ("Patient?_id=b&_revinclude=Observation:subject", {"Observation/none"}),
        ("Observation?_id=early&_revinclude=Observation:has-member", {"Observation/panel"}),
        ("Patient?_id=a&_revinclude=Encounter:patient", {"Encounter/e"}),
        # A match is not brought along as well.
        ("Observation?_include=Observation:has-member", set()),
    ],
)
def test_include(ward: httpx.Client, url: str, included: set[str]) -> None:
    assert by_mode(ward, url)[1] == included


@pytest.mark.parametrize(
    ("sort", "order"),
    [
        ("date", ["early", "panel", "late", "none"]),
        ("-date", ["late", "panel", "early", "none"]),
        ("_lastUpdated", ["late", "early", "panel", "none"]),
        ("-date,_lastUpdated", ["late", "panel", "early", "none"]),
    ],
)
@pytest.mark.parametrize("size", [1, 3, 50])
def test_sort_on_every_page(ward: httpx.Client, sort: str, order: list[str], size: int) -> None:
    """3.1.1.5.1: ascending by default, a hyphen turns it round; pages together show each match once."""
    url, ids = f"Observation?_sort={sort}&_count={size}", []
    while url:
        page = ward.get(url).json()
        assert page["total"] == 4
        ids += [entry["resource"]["id"] for entry in page["entry"]]
        url = next((link["url"] for link in page["link"] if link["relation"] == "next"), "")
    assert ids == order


def test_sort_breaks_ties_by_the_next_key(http: httpx.Client) -> None:
    for id_, day in (("x", "2"), ("y", "1"), ("z", "2")):
        put(http, observation(id_, id=id_, effectiveDateTime=f"2024-05-0{day}T08:00:00Z"))
    put(http, observation("x", id="x", effectiveDateTime="2024-05-02T08:00:00Z", status="amended"))
    page = http.get("Observation?_sort=-date,-_lastUpdated").json()
    assert [entry["resource"]["id"] for entry in page["entry"]] == ["x", "z", "y"]


@pytest.mark.parametrize(
    "query",
    [
        "_include=Observation:shoe",
        "_include=Observation",
        "_include=*",
        "_include=Observation:status",
        "_include=Observation:subject:Shoe",
        "_revinclude=Shoe:subject",
        "_sort=status",
        "_sort=shoe",
        "_sort=date&_after=5",
        "_after=5,6",
        "_after=9999999999999999999",
        "_after=x",
        "_lastUpdated=yesterday",
    ],
)
def test_what_cannot_be_done_is_refused(ward: httpx.Client, query: str) -> None:
    answer = ward.get(f"Observation?{query}")
    assert answer.status_code == 400, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_last_updated(http: httpx.Client) -> None:
    """Resource.meta.lastUpdated as a search parameter, by the rules for dates (3.1.1.4.7)."""
    put(http, observation("one", id="one"))
    first = http.get("Observation/one").json()["meta"]["lastUpdated"]
    second = first
    while second == first:  # in the same millisecond
        http.delete("Observation/two")
        second = put(http, observation("two", id="two")).json()["meta"]["lastUpdated"]

    def found(query: str) -> list[str]:
        return by_mode(http, f"Observation?{query}")[0]

    one, two = "Observation/one", "Observation/two"
    assert found(f"_lastUpdated={first}") == [one]
    assert found(f"_lastUpdated=gt{first}") == [two]
    assert found(f"_lastUpdated=ge{first}") == [one, two]
    assert found(f"_lastUpdated=lt{second}&_lastUpdated=ge{first}") == [one]
    assert found(f"_lastUpdated={first[:10]},{second[:10]}") == [one, two]
    assert found("_lastUpdated=lt2024") == []
    http.delete("Observation/one")
    assert found(f"_lastUpdated=ge{first}") == [two]


def test_values_and_absences_can_be_searched_for(http: httpx.Client) -> None:
    absent = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
    code = {"coding": [{"system": "urn:oid:2.999.2", "code": "clear"}]}
    put(http, observation("v", id="v", valueCodeableConcept=code))
    refused = {"coding": [{"system": absent, "code": "asked-declined"}]}
    put(http, observation("n", id="n", status="cancelled", dataAbsentReason=refused))
    assert by_mode(http, "Observation?value-concept=clear")[0] == ["Observation/v"]
    assert by_mode(http, f"Observation?data-absent-reason={absent}|asked-declined")[0] == ["Observation/n"]
    put(http, patient("a", id="a", gender="female", birthDate="2024-05-01"))
    assert by_mode(http, "Patient?birthdate=2024-05&gender=female")[0] == ["Patient/a"]
    assert by_mode(http, "Patient?birthdate=2024-06")[0] == []


def test_a_patient_parameter_finds_patients_only(http: httpx.Client) -> None:
    put(http, observation("d", id="d", subject={"reference": "Device/a"}))
    put(http, observation("p", id="p", subject={"reference": "Patient/a"}))
    assert by_mode(http, "Observation?patient=Device/a")[0] == []
    assert by_mode(http, "Observation?patient=a")[0] == ["Observation/p"]
    assert by_mode(http, "Observation?_include=Observation:patient&subject=Device/a") == (["Observation/d"], set())
