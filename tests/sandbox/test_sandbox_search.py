"""Search against FHIR R4 search.html; worked examples are the standard's own where named."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any
from urllib.parse import quote
from uuid import uuid4

import httpx
import pytest
from hypothesis import HealthCheck, given
from hypothesis import strategies as st
from sandbox_resources import SITE, observation, patient

from adapter.fhir import json as fhir_json
from adapter.sandbox import Store, dates, running
from drawn import UNLIMITED, drawn

LOINC = "http://loinc.org"


def put(http: httpx.Client, resource: dict[str, Any]) -> None:
    response = http.put(
        f"{resource['resourceType']}/{resource['id']}",
        content=fhir_json.dumps(resource),
        headers={"Content-Type": "application/fhir+json"},
    )
    assert response.status_code == 201, response.text


def found(http: httpx.Client, url: str) -> set[str]:
    """The ids of a search's matches, which must agree with its total."""
    answer = http.get(url)
    assert answer.status_code == 200, answer.text
    matches = [e for e in answer.json().get("entry", []) if e["search"]["mode"] == "match"]
    assert answer.json()["total"] == len(matches)
    return {e["resource"]["id"] for e in matches}


@pytest.fixture(scope="module")
def ward(shared: httpx.Client) -> httpx.Client:
    """The server of this module with two newborns' observations, which no test changes."""
    return fill(shared)


def fill(http: httpx.Client) -> httpx.Client:
    """Two newborns' observations, told apart by every parameter."""
    put(http, patient("baby-1", id="a"))
    put(http, {"resourceType": "Patient", "id": "b", "identifier": [{"value": "baby-1"}]})
    put(http, observation("e1/weight", id="w1", subject={"reference": "Patient/a"}))
    put(
        http,
        observation(
            "e2/weight",
            id="w2",
            subject={"reference": "Patient/b"},
            encounter={"reference": "Encounter/e2"},
            status="amended",
        ),
    )
    put(
        http,
        observation(
            "e1/mouth, a|b",
            id="m1",
            subject={"reference": "Patient/a"},
            code={"coding": [{"code": "29463-7"}, {"system": "urn:oid:2.999.2", "code": "mouth"}]},
            category=[{"coding": [{"system": "urn:oid:2.999.3", "code": "exam"}]}],
        ),
    )
    put(http, observation("e3/device", id="d1", subject={"reference": "Device/a"}))
    return http


@pytest.mark.parametrize(
    ("url", "expected"),
    [
        ("Observation", {"w1", "w2", "m1", "d1"}),
        ("Observation?_id=w1", {"w1"}),
        ("Observation?_id=w1,w2", {"w1", "w2"}),
        ("Observation?_id=a", set()),
        # token (3.1.1.4.10): [code], [system]|[code], |[code], [system]|
        (f"Observation?identifier={SITE}|e1/weight", {"w1"}),
        ("Observation?identifier=e1/weight", {"w1"}),
        ("Observation?identifier=urn:oid:2.999.9|e1/weight", set()),
        (f"Observation?identifier={SITE}|", {"w1", "w2", "m1", "d1"}),
        ("Patient?identifier=baby-1", {"a", "b"}),
        ("Patient?identifier=|baby-1", {"b"}),
        (f"Patient?identifier={SITE}|baby-1", {"a"}),
        (f"Observation?code={LOINC}|29463-7", {"w1", "w2", "d1"}),
        ("Observation?code=|29463-7", {"m1"}),
        ("Observation?code=29463-7", {"w1", "w2", "m1", "d1"}),
        ("Observation?code=mouth,none", {"m1"}),
        ("Observation?category=exam", {"m1"}),
        ("Observation?status=amended", {"w2"}),
        # reference (3.1.1.4.12): [id], [type]/[id]
        ("Observation?subject=Patient/a", {"w1", "m1"}),
        ("Observation?subject=a", {"w1", "m1", "d1"}),
        ("Observation?patient=a", {"w1", "m1"}),
        ("Observation?patient=Patient/a", {"w1", "m1"}),
        ("Observation?patient=Device/a", set()),
        ("Observation?patient=a,b", {"w1", "w2", "m1"}),
        ("Observation?encounter=Encounter/e2", {"w2"}),
        ("Observation?encounter=e2", {"w2"}),
        # every parameter must hold, every repetition too
        (f"Observation?patient=a&code={LOINC}|29463-7", {"w1"}),
        ("Observation?code=29463-7&code=mouth", {"m1"}),
        ("Observation?patient=a&patient=b", set()),
        # escapes
        ("Observation?identifier=" + quote(r"e1/mouth\, a\|b"), {"m1"}),
        ("Observation?identifier=" + quote(r"e1/mouth, a\|b"), set()),
        # an empty value says nothing
        ("Observation?patient=&status=amended", {"w2"}),
    ],
)
def test_parameters(ward: httpx.Client, url: str, expected: set[str]) -> None:
    assert found(ward, url) == expected


def test_an_absolute_reference_to_this_server(ward: httpx.Client) -> None:
    base = str(ward.base_url).rstrip("/")
    assert found(ward, f"Observation?subject={base}/Patient/a") == {"w1", "m1"}
    assert found(ward, "Observation?subject=http://elsewhere.example/fhir/Patient/a") == set()


def test_the_index_follows_updates_and_deletions(http: httpx.Client) -> None:
    ward = fill(http)
    changed = observation("e1/weight", id="w1", subject={"reference": "Patient/b"})
    body = fhir_json.dumps(changed)
    ward.put("Observation/w1", content=body, headers={"Content-Type": "application/fhir+json"})
    assert found(ward, "Observation?patient=a") == {"m1"}
    assert found(ward, "Observation?patient=b") == {"w1", "w2"}
    ward.delete("Observation/w1")
    assert found(ward, "Observation?patient=b") == {"w2"}


def test_search_by_post(ward: httpx.Client) -> None:
    # http.html 3.1.0.9: the parameters of the form and of the URL together.
    answer = ward.post("Observation/_search?patient=a", data={"code": "mouth"})
    assert [e["resource"]["id"] for e in answer.json()["entry"]] == ["m1"]
    assert (
        ward.post("Observation/_search", content=b"{}", headers={"Content-Type": "application/json"}).status_code
        == 415
    )


def test_an_unknown_parameter(ward: httpx.Client) -> None:
    # http.html 3.1.0.9: lenient leaves it out and says so, strict refuses.
    answer = ward.get("Observation?patient=b&shoe-size=3").json()
    assert answer["total"] == 1
    assert "shoe-size" not in answer["link"][0]["url"]
    assert "patient=b" in answer["link"][0]["url"]
    notes = [e["resource"] for e in answer["entry"] if e["search"]["mode"] == "outcome"]
    assert "shoe-size" in notes[0]["issue"][0]["details"]["text"]
    strict = ward.get("Observation?patient=b&shoe-size=3", headers={"Prefer": "handling=strict"})
    assert strict.status_code == 400
    assert strict.json()["resourceType"] == "OperationOutcome"


@pytest.mark.parametrize(
    "query",
    [
        "subject:Patient=a",
        "subject.identifier=a",
        "date=yesterday",
        "date=ap2024-05-01",
        "date=2024-13-01",
        "date=2024-05-01T25:00",
        "date=2024-05-01T10:00:00+02:00",
        "_count=many",
        "_count=-1",
        "patient=,",
    ],
)
def test_what_cannot_be_searched_is_refused(ward: httpx.Client, query: str) -> None:
    # search.html 3.1.1.4.4: an unsupported modifier SHALL be refused. A bare + in a URL is a blank.
    answer = ward.get(f"Observation?{query}")
    assert answer.status_code == 400, answer.text
    assert answer.json()["resourceType"] == "OperationOutcome"


def test_paging_shows_each_match_once(http: httpx.Client) -> None:
    for number in range(7):
        put(http, observation(f"e/{number}", id=f"o{number}"))
    url, ids, pages = "Observation?patient=baby&_count=3", [], 0
    while url:
        page = http.get(url).json()
        assert page["total"] == 7
        ids += [e["resource"]["id"] for e in page["entry"]]
        pages += 1
        url = next((link["url"] for link in page["link"] if link["relation"] == "next"), "")
    assert ids == [f"o{number}" for number in range(7)]
    assert pages == 3


def test_paging_goes_on_when_resources_come_and_go(http: httpx.Client) -> None:
    for number in range(4):
        put(http, observation(f"e/{number}", id=f"o{number}"))
    page = http.get("Observation?_count=2").json()
    http.delete("Observation/o0")
    after = http.get(next(link["url"] for link in page["link"] if link["relation"] == "next")).json()
    assert [e["resource"]["id"] for e in after["entry"]] == ["o2", "o3"]


def test_count_zero_is_the_total_only(ward: httpx.Client) -> None:
    # search.html, page count: _count=0 is treated like _summary=count.
    page = ward.get("Observation?_count=0").json()
    assert page["total"] == 4
    assert "entry" not in page
    assert [link["relation"] for link in page["link"]] == ["self"]


@pytest.fixture(scope="module")
def calendar() -> Iterator[httpx.Client]:
    """A server of its own for resources that differ in their dates."""
    with (
        Store() as store,
        running(store) as url,
        httpx.Client(base_url=f"{url}/", trust_env=False) as client,
    ):
        yield client


# search.html 3.1.1.4.7, the table of examples: the search value, the resource's date, whether it matches.
# "from 21-Jan 2013 onwards" is a Period with a start only.
FROM_JAN, FROM_MAR, TO_JAN = {"start": "2013-01-21"}, {"start": "2013-03-15"}, {"end": "2013-01-21"}


@pytest.mark.parametrize(
    ("value", "effective", "matches"),
    [
        ("eq2013-01-14", "2013-01-14T00:00:00Z", True),
        ("2013-01-14", "2013-01-14T10:00:00Z", True),
        ("eq2013-01-14", "2013-01-15T00:00:00Z", False),
        ("ne2013-01-14", "2013-01-15T00:00:00Z", True),
        ("ne2013-01-14", "2013-01-14T00:00:00Z", False),
        ("ne2013-01-14", "2013-01-14T10:00:00Z", False),
        ("lt2013-01-14T10:00", "2013-01-14", True),
        ("gt2013-01-14T10:00", "2013-01-14", True),
        ("ge2013-03-14", FROM_JAN, True),
        ("le2013-03-14", FROM_JAN, True),
        ("sa2013-03-14", FROM_MAR, True),
        ("sa2013-03-14", FROM_JAN, False),
        ("sa2013-03-14", TO_JAN, False),
        ("eb2013-03-14", FROM_MAR, False),
        ("eb2013-03-14", FROM_JAN, False),
        ("eb2013-03-14", TO_JAN, True),
        # Partial dates (same section): a year and a month are their whole span.
        ("2000", "2000-04-30", True),
        ("2000-04", "2000-04-30T23:59:59Z", True),
        ("2000-04", "2000", False),
        ("2000-02", "2000-02-29", True),
        ("2000-12", "2000-12-31T23:59:59.999Z", True),
        ("2000-12", "2001-01-01", False),
        # Time zones are corrected for (same section).
        ("2024-05-01T08:00:00Z", "2024-05-01T10:00:00+02:00", True),
        ("ge2024-05-01T10:00:00%2B02:00", "2024-05-01T08:00:00Z", True),
        ("lt2024-05-01T10:00:00%2B02:00", "2024-05-01T08:00:00Z", False),
        ("2024-04-30", "2024-05-01T00:30:00+02:00", True),
        ("gt2024-05-01T08:00:00.5Z", "2024-05-01T08:00:00.7Z", True),
        ("gt2024-05-01T08:00:00.5Z", "2024-05-01T08:00:00.5Z", False),
    ],
)
def test_dates(calendar: httpx.Client, value: str, effective: Any, matches: bool) -> None:
    id_ = str(uuid4())
    resource = observation(id=id_)
    del resource["effectiveDateTime"]
    key = "effectiveDateTime" if isinstance(effective, str) else "effectivePeriod"
    put(calendar, {**resource, key: effective})
    assert found(calendar, f"Observation?_id={id_}&date={value}") == ({id_} if matches else set())


@given(st.datetimes(min_value=datetime(1, 1, 3), max_value=datetime(9998, 12, 30), timezones=st.just(UTC)))
def test_a_date_lies_within_each_of_its_coarser_forms(moment: datetime) -> None:
    """Python's own calendar is the reference: every coarser writing of a moment spans it."""
    at = (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    text = moment.isoformat(timespec="microseconds").replace("+00:00", "Z")
    forms = [text, text[:19] + "Z", text[:16] + "Z", text[:10], text[:7], text[:4]]
    spans = [dates.span(form) for form in forms]
    assert spans[0] == (at, at + 1)
    for (low, high), (wide_low, wide_high) in pairwise(spans):
        assert wide_low <= low < high <= wide_high


NAMES = st.sampled_from(["identifier", "code", "patient", "subject", "date", "_id", "_count", "_after", "_format"])


@given(st.lists(st.tuples(NAMES | st.text(max_size=8), st.text(max_size=20)), max_size=4))
@drawn(60, suppress_health_check=[*UNLIMITED, HealthCheck.function_scoped_fixture])
def test_no_query_breaks_the_server(ward: httpx.Client, pairs: list[tuple[str, str]]) -> None:
    answer = ward.get("Observation", params=pairs)
    assert answer.status_code in (200, 400, 406)
    assert answer.json()["resourceType"] == ("Bundle" if answer.status_code == 200 else "OperationOutcome")


@given(st.text(alphabet="0123456789-T:+Z. ", max_size=30))
def test_anything_else_is_no_date(text: str) -> None:
    try:
        low, high = dates.span(text)
    except ValueError:
        return
    assert low < high
