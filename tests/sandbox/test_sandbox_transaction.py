"""Transactions and batches against FHIR R4 http.html 3.1.0.11."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import httpx
import pytest
from sandbox_resources import BABY, SITE, bundle, entry, exam, observation, patient

from adapter.fhir import json as fhir_json
from adapter.fhir import xml as fhir_xml

OTHER = "urn:uuid:f7a9b2a1-64a2-4a3c-8a53-8a0f4d2b1c77"


def post(http: httpx.Client, sent: dict[str, Any], **headers: str) -> httpx.Response:
    content = fhir_json.dumps(sent)
    return http.post("", content=content, headers={"Content-Type": "application/fhir+json", **headers})


def done(http: httpx.Client, sent: dict[str, Any], **headers: str) -> list[dict[str, Any]]:
    response = post(http, sent, **headers)
    assert response.status_code == 200, response.text
    answer = fhir_json.loads(response.content)
    assert answer["type"] == f"{sent['type']}-response"
    assert len(answer.get("entry", [])) == len(sent["entry"])
    return list(answer.get("entry", []))


def failed(http: httpx.Client, sent: dict[str, Any]) -> dict[str, Any]:
    """A transaction that fails: an OperationOutcome with a 4xx status, nothing changed."""
    before = {t: http.get(f"{t}?_count=1000").json().get("entry") for t in ("Patient", "Observation")}
    response = post(http, sent)
    assert 400 <= response.status_code < 500, response.text
    assert response.json()["resourceType"] == "OperationOutcome"
    after = {t: http.get(f"{t}?_count=1000").json().get("entry") for t in ("Patient", "Observation")}
    assert after == before
    return {"status": response.status_code, **response.json()["issue"][0]}


def statuses(answers: list[dict[str, Any]]) -> list[str]:
    return [answer["response"]["status"][:3] for answer in answers]


def total(http: httpx.Client, url: str) -> int:
    return int(http.get(url).json()["total"])


def test_the_second_send_changes_nothing(http: httpx.Client) -> None:
    first, second = done(http, exam()), done(http, exam())
    assert statuses(first) == ["201", "201"]
    assert statuses(second) == ["200", "200"]
    for one, two in zip(first, second, strict=True):
        for what in ("location", "etag", "lastModified"):
            assert one["response"][what] == two["response"][what]
    assert (total(http, "Patient"), total(http, "Observation")) == (1, 1)
    history = http.get(second[0]["response"]["location"].rpartition("/")[0]).json()
    assert history["total"] == 1


def test_references_lead_to_the_resources_made(http: httpx.Client) -> None:
    # The entry that refers comes before the one it refers to: order does not matter (3.1.0.11.2).
    answers = done(http, exam())
    baby = answers[1]["response"]["location"].partition("/_history")[0]
    stored = http.get(answers[0]["response"]["location"]).json()
    assert stored["subject"] == {"reference": baby}
    # A newborn who is here already is referred to as well (3.1.0.8.1).
    again = exam()
    again["entry"][0]["resource"]["status"] = "amended"
    answers = done(http, again)
    assert answers[0]["response"]["etag"] == 'W/"2"'
    assert http.get(answers[0]["response"]["location"]).json()["subject"] == {"reference": baby}


def test_links_are_rewritten_where_the_standard_says(http: httpx.Client) -> None:
    # 3.1.0.11.2: references, elements of type uri and url, narrative; an Identifier.value is a string.
    div = f'<div xmlns="http://www.w3.org/1999/xhtml"><a href="{BABY}">baby</a> {BABY}</div>'
    seen = observation(
        subject={"reference": BABY},
        identifier=[{"system": "urn:ietf:rfc:3986", "value": BABY}],
        text={"status": "generated", "div": div},
        extension=[{"url": "http://example.org/about", "valueUri": BABY}],
    )
    sent = bundle(
        "transaction",
        entry("POST", "Observation", seen, fullUrl=OTHER),
        entry("POST", "Patient", patient(), fullUrl=BABY),
    )
    answers = done(http, sent)
    baby = answers[1]["response"]["location"].partition("/_history")[0]
    stored = http.get(answers[0]["response"]["location"]).json()
    assert stored["extension"][0]["valueUri"] == baby
    assert f'<a href="{baby}">baby</a> {BABY}</div>' in stored["text"]["div"]
    assert stored["identifier"][0]["value"] == BABY


def test_relative_references_between_entries_of_another_server(http: httpx.Client) -> None:
    # bundle.html, resolving references in bundles: relative to the root of the entry's own full URL.
    root = "http://elsewhere.example/fhir"
    sent = bundle(
        "transaction",
        entry("POST", "Patient", patient(id="1"), fullUrl=f"{root}/Patient/1"),
        entry(
            "POST", "Observation", observation(subject={"reference": "Patient/1"}), fullUrl=f"{root}/Observation/2"
        ),
    )
    answers = done(http, sent)
    stored = http.get(answers[1]["response"]["location"]).json()
    assert stored["subject"]["reference"] == answers[0]["response"]["location"].partition("/_history")[0]


def test_conditional_references(http: httpx.Client) -> None:
    # 3.1.0.11.2: exactly one match, in the store or made by the same transaction; else all fails.
    refers = entry("POST", "Observation", observation(subject={"reference": f"Patient?identifier={SITE}|baby-1"}))
    assert failed(http, bundle("transaction", refers))["expression"] == ["Bundle.entry[0]"]
    answers = done(http, bundle("transaction", refers, entry("POST", "Patient", patient(), fullUrl=BABY)))
    baby = answers[1]["response"]["location"].partition("/_history")[0]
    assert http.get(answers[0]["response"]["location"]).json()["subject"]["reference"] == baby
    assert total(http, f"Observation?subject={baby}") == 1
    answers = done(http, bundle("transaction", refers))
    assert http.get(answers[0]["response"]["location"]).json()["subject"]["reference"] == baby
    done(http, bundle("transaction", entry("POST", "Patient", patient())))
    assert failed(http, bundle("transaction", refers))["status"] == 412


def test_a_resent_conditional_reference_changes_nothing_and_is_still_found(http: httpx.Client) -> None:
    done(http, bundle("transaction", entry("PUT", "Patient/baby", patient(id="baby"))))
    about = observation(subject={"reference": f"Patient?identifier={SITE}|baby-1"})
    owned = bundle("transaction", entry("PUT", f"Observation?identifier={SITE}|exam-1/weight", about))
    assert [done(http, owned)[0]["response"]["etag"] for _ in range(2)] == ['W/"1"', 'W/"1"']
    assert total(http, "Observation?subject=Patient/baby") == 1


BAD_LAST = {
    "invalid resource": entry("POST", "Observation", observation(status="finished")),
    "dangling reference": entry("POST", "Observation", observation(subject={"reference": OTHER})),
    "stale version": entry("PUT", "Patient/baby", patient(id="baby", gender="male"), ifMatch='W/"9"'),
    "nothing to read": entry("GET", "Patient/nobody"),
    "two of them": entry("PUT", "Patient?identifier=twice", patient("twice")),
    "id is not the url's": entry("PUT", "Patient/baby", patient(id="other")),
    "unknown type": entry("GET", "Starship/1"),
    "search that cannot be": entry("GET", "Patient?identifier:text=a"),
    "patch": entry("PATCH", "Patient/baby", patient(id="baby")),
    "delete by criteria": entry("DELETE", "Patient?identifier=twice"),
    "put without id": entry("PUT", "Patient", patient()),
    "resource of another type": entry("POST", "Patient", observation()),
    "post without resource": entry("POST", "Patient"),
}


@pytest.mark.parametrize("bad", BAD_LAST.values(), ids=BAD_LAST)
def test_one_bad_entry_undoes_all(http: httpx.Client, bad: dict[str, Any]) -> None:
    # 3.1.0.11.2: all or nothing. Creates, updates and deletions before the bad entry leave no trace.
    done(http, bundle("transaction", entry("PUT", "Patient/gone", patient("g", id="gone"))))
    done(http, bundle("transaction", *[entry("POST", "Patient", patient("twice")) for _ in range(2)]))
    done(http, bundle("transaction", entry("PUT", "Patient/kept", patient("k", id="kept"))))
    sent = bundle(
        "transaction",
        entry("DELETE", "Patient/gone"),
        entry("POST", "Patient", patient(), fullUrl=BABY),
        entry("PUT", "Patient/kept", patient("k", id="kept", gender="female")),
        bad,
    )
    problem = failed(http, sent)
    assert any("entry[3]" in place for place in problem["expression"]), problem
    assert http.get("Patient/kept/_history").json()["total"] == 1
    assert http.get("Patient/gone").status_code == 200


TWICE = {
    "same id twice": [entry("PUT", "Patient/a", patient(id="a")), entry("PUT", "Patient/a", patient("b", id="a"))],
    "put and delete": [entry("PUT", "Patient/a", patient(id="a")), entry("DELETE", "Patient/a")],
    "two deletions": [entry("DELETE", "Patient/a"), entry("DELETE", "Patient/a")],
    "two conditional creates": [
        entry("POST", "Patient", patient(), ifNoneExist=f"identifier={SITE}|baby-1") for _ in range(2)
    ],
    "two conditional updates": [entry("PUT", f"Patient?identifier={SITE}|baby-1", patient()) for _ in range(2)],
    "create and conditional update": [
        entry("POST", "Patient", patient()),
        entry("PUT", f"Patient?identifier={SITE}|baby-1", patient()),
    ],
    "one full URL for two": [
        entry("POST", "Patient", patient("a"), fullUrl=BABY),
        entry("POST", "Patient", patient("b"), fullUrl=BABY),
    ],
}


@pytest.mark.parametrize("present", [False, True], ids=["not yet here", "already here"])
@pytest.mark.parametrize("entries", TWICE.values(), ids=TWICE)
def test_overlapping_identities_fail(http: httpx.Client, entries: list[dict[str, Any]], present: bool) -> None:
    # 3.1.0.11.2: if any resource identities, also resolved ones, overlap, the transaction SHALL fail.
    if present:
        done(http, bundle("transaction", entry("PUT", "Patient/a", patient(id="a"))))
    assert failed(http, bundle("transaction", *entries))["status"] in (400, 422)


def test_the_order_of_processing(http: httpx.Client) -> None:
    # 3.1.0.11.2: DELETE, POST, PUT, GET, whatever the order of the entries.
    done(http, bundle("transaction", entry("PUT", "Patient/old", patient(id="old"))))
    answers = done(
        http,
        bundle(
            "transaction",
            entry("GET", f"Patient?identifier={SITE}|baby-1"),
            entry("GET", "Patient/kept"),
            entry("PUT", "Patient/kept", patient("k", id="kept")),
            entry("POST", "Patient", patient(), ifNoneExist=f"identifier={SITE}|baby-1"),
            entry("DELETE", "Patient/old"),
        ),
    )
    # The deletion came first, so the conditional create found nothing; the reads came last.
    assert statuses(answers) == ["200", "200", "201", "201", "204"]
    assert answers[0]["resource"]["total"] == 1
    assert answers[1]["resource"]["id"] == "kept"


def test_all_reads_in_a_bundle(http: httpx.Client, base: str) -> None:
    done(http, bundle("transaction", entry("PUT", "Patient/a", patient(id="a"))))
    reads = ["Patient/a", "Patient/a/_history/1", "Patient/a/_history", f"{base}/Patient/a", "Patient"]
    for type_ in ("transaction", "batch"):
        answers = done(http, bundle(type_, *[entry("GET", url) for url in reads]))
        assert statuses(answers) == ["200"] * 5
        kinds = [answer["resource"]["resourceType"] for answer in answers]
        assert kinds == ["Patient", "Patient", "Bundle", "Patient", "Bundle"]


@pytest.mark.parametrize(
    ("prefer", "resource", "outcome"),
    [
        ("return=minimal", False, False),
        ("return=representation", True, False),
        ("return=OperationOutcome", False, True),
    ],
)
def test_prefer_in_a_transaction(http: httpx.Client, prefer: str, resource: bool, outcome: bool) -> None:
    for answer in done(http, exam(), Prefer=prefer):
        assert ("resource" in answer) == resource
        assert ("outcome" in answer["response"]) == outcome


def test_digits_survive_a_transaction(http: httpx.Client) -> None:
    sent = fhir_json.dumps(exam()).replace(b'"value":3,', b'"value":3.10,')
    answer = http.post("", content=sent, headers={"Content-Type": "application/fhir+json"}).json()
    assert b'"value":3.10,' in http.get(answer["entry"][0]["response"]["location"]).content


def test_a_transaction_in_xml(http: httpx.Client) -> None:
    xml = {"Content-Type": "application/fhir+xml", "Accept": "application/fhir+xml"}
    answers = [http.post("", content=fhir_xml.to_xml(exam()), headers=xml) for _ in range(2)]
    bundles = [fhir_xml.from_xml(answer.content) for answer in answers]
    assert [statuses(made["entry"]) for made in bundles] == [["201", "201"], ["200", "200"]]
    # The same exam in JSON is the same exam.
    assert statuses(done(http, exam())) == ["200", "200"]
    assert total(http, "Observation") == 1


def test_a_batch_is_each_for_itself(http: httpx.Client) -> None:
    # 3.1.0.11.1: one failure does not touch the others; the answer is 200 and says so entry by entry.
    answers = done(
        http,
        bundle(
            "batch",
            entry("POST", "Patient", patient()),
            entry("POST", "Observation", observation(status="finished")),
            entry("GET", "Patient/nobody"),
            entry("PUT", "Observation/o", observation(id="o")),
            entry("POST", "Observation", observation(subject={"reference": BABY})),
            entry("DELETE", "Patient/nobody"),
            {"resource": patient()},
            entry("HEAD", "Patient/a"),
        ),
    )
    assert statuses(answers) == ["201", "422", "404", "201", "422", "204", "400", "400"]
    for number in (1, 2, 4, 6, 7):
        outcome = answers[number]["response"]["outcome"]
        assert outcome["resourceType"] == "OperationOutcome"
    assert (total(http, "Patient"), total(http, "Observation")) == (1, 1)


@pytest.mark.parametrize("type_", ["collection", "searchset", "document"])
def test_other_bundles_are_refused(http: httpx.Client, type_: str) -> None:
    assert post(http, {"resourceType": "Bundle", "type": type_}).status_code == 400
    assert post(http, patient()).status_code == 400


@pytest.mark.parametrize("entries", [{}, "x", [None], [{"request": "POST"}], [{"request": {"method": "POST"}}]])
@pytest.mark.parametrize("type_", ["transaction", "batch"])
def test_bundles_of_the_wrong_shape(http: httpx.Client, type_: str, entries: Any) -> None:
    response = post(http, {"resourceType": "Bundle", "type": type_, "entry": entries})
    inner = [e["response"]["status"][:3] for e in response.json().get("entry", [])]
    assert response.status_code in (400, 422) or inner == ["400"]


@pytest.mark.parametrize("type_", ["transaction", "batch"])
def test_an_empty_bundle_is_no_error(http: httpx.Client, type_: str) -> None:
    # 3.1.0.11.2 says so.
    response = post(http, {"resourceType": "Bundle", "type": type_})
    assert response.status_code == 200
    assert response.json() == {"resourceType": "Bundle", "type": f"{type_}-response"}


def test_many_writers_at_once_make_one_newborn(http: httpx.Client) -> None:
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: done(http, exam()), range(24)))
    assert sorted(statuses(answer)[1] for answer in answers) == ["200"] * 23 + ["201"]
    assert (total(http, "Patient"), total(http, "Observation")) == (1, 1)
    assert {answer[0]["response"]["etag"] for answer in answers} == {'W/"1"'}
