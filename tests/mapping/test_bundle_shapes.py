"""What each kind of bundle looks like (FHIR R4, Bundle, section 2.36; RESTful API, section 3.1.0.11)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

import pytest
from invented import MRN, exam, mother

from adapter.catalogue import Catalogue
from adapter.exam import Finding, Identifier
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps
from adapter.fhir.xml import to_xml
from adapter.read.bundle import from_bundle


def references(value: Any) -> Iterator[str]:
    if isinstance(value, Mapping):
        if isinstance(value.get("reference"), str):
            yield value["reference"]
        for content in value.values():
            yield from references(content)
    elif isinstance(value, list):
        for entry in value:
            yield from references(entry)


def test_a_transaction(catalogue: Catalogue) -> None:
    bundle = to_bundle(exam(newborn={"mother": mother()}), catalogue)
    assert bundle["type"] == "transaction"
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(urls) == len(set(urls))
    assert all(url.startswith("urn:uuid:") for url in urls)
    assert set(references(bundle)) <= set(urls)
    created = {e["resource"]["resourceType"] for e in bundle["entry"] if e["request"]["method"] == "POST"}
    assert created == {"Patient", "RelatedPerson", "Encounter", "Device"}
    for entry in bundle["entry"]:
        request, kind = entry["request"], entry["resource"]["resourceType"]
        if request["method"] == "POST":
            assert request["url"] == kind
            assert request["ifNoneExist"].startswith("identifier=")
        else:
            assert request["method"] == "PUT"
            assert request["url"].startswith((f"{kind}?identifier=", f"{kind}/"))
            # R4 section 3.1.0.4.3: with a conditional update the client gives no id
            assert ("id" in entry["resource"]) == request["url"].startswith(f"{kind}/")


def test_a_collection(catalogue: Catalogue) -> None:
    bundle = to_bundle(exam(newborn={"mother": mother()}), catalogue, BundleType.COLLECTION)
    assert bundle["type"] == "collection"
    assert all("request" not in entry for entry in bundle["entry"])
    assert all(entry["fullUrl"] == f"urn:uuid:{entry['resource']['id']}" for entry in bundle["entry"])
    assert set(references(bundle)) <= {entry["fullUrl"] for entry in bundle["entry"]}


def test_a_batch_has_no_references_between_its_entries(catalogue: Catalogue) -> None:
    bundle = to_bundle(exam(newborn={"mother": mother()}), catalogue, BundleType.BATCH)
    assert bundle["type"] == "batch"
    assert list(references(bundle)) == []
    assert all("request" in entry for entry in bundle["entry"])
    (subject,) = {
        str(e["resource"]["subject"]) for e in bundle["entry"] if e["resource"]["resourceType"] == "Observation"
    }
    assert MRN in subject


def test_the_newborn_is_the_subject_and_never_the_mother(catalogue: Catalogue) -> None:
    bundle = to_bundle(exam(newborn={"mother": mother()}), catalogue)
    by_url = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    for resource in by_url.values():
        if "subject" in resource:
            patient = by_url[resource["subject"]["reference"]]
            assert patient["resourceType"] == "Patient"
            assert patient["identifier"] == [{"system": MRN, "value": "B-1"}]


def test_panels_hold_every_observation_once(catalogue: Catalogue) -> None:
    bundle = to_bundle(exam(), catalogue)
    by_url = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    observations = {url for url, r in by_url.items() if r["resourceType"] == "Observation"}
    panels = {url for url in observations if "hasMember" in by_url[url]}
    members = [m["reference"] for url in panels for m in by_url[url]["hasMember"]]
    assert sorted(members) == sorted(observations - panels)
    (report,) = (r for r in by_url.values() if r["resourceType"] == "DiagnosticReport")
    assert {r["reference"] for r in report["result"]} == panels
    # FHIR R4, Observation: a value and members never together
    assert all("valueQuantity" not in by_url[url] and "component" not in by_url[url] for url in panels)


def test_digits_survive(catalogue: Catalogue) -> None:
    bundle = to_bundle(exam(), catalogue)
    assert b'"value":3.10' in dumps(bundle)
    assert b'"value":36.80' in dumps(bundle)
    assert b'<value value="3.10"/>' in to_xml(bundle)
    assert b'<value value="36.80"/>' in to_xml(bundle)


@pytest.mark.parametrize("value", ["a|b", "a,b", "a$b", "a\\b", "a b&c=d#e", "ä+ö%7C"])
def test_identifiers_are_escaped_in_urls(value: str, catalogue: Catalogue) -> None:
    # FHIR R4, Search, section 3.1.1.3.1.1: $ , | and \ of a value are escaped with a backslash
    identifier = Identifier(system="https://example.org/id?x=1|2", value=value)
    captured = exam(newborn={"identifiers": (identifier,)})
    bundle = to_bundle(captured, catalogue)
    request = next(e["request"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient")
    (token,) = parse_qs(request["ifNoneExist"], strict_parsing=True)["identifier"]
    assert unescaped(token) == [identifier.system, value]
    assert from_bundle(bundle, catalogue) == [captured]


def unescaped(token: str) -> list[str]:
    """The parts of a token parameter, split at the bars that are not escaped."""
    parts, rest = [""], iter(token)
    for character in rest:
        if character == "\\":
            parts[-1] += next(rest)
        elif character == "|":
            parts.append("")
        else:
            parts[-1] += character
    return parts


def test_urls_of_updates_lead_to_the_identifier(catalogue: Catalogue) -> None:
    for entry in to_bundle(exam(), catalogue)["entry"]:
        url = urlsplit(entry["request"]["url"])
        if url.query:
            (token,) = parse_qs(url.query)["identifier"]
            own = entry["resource"]["identifier"][0]
            assert unescaped(token) == [own["system"], own["value"]]
        else:
            assert unquote(url.path) == url.path


def test_several_answers_are_observations_of_their_own(catalogue: Catalogue) -> None:
    item = next(
        i for i in catalogue.items.values() if i.type == "choices" and len(i.answers) > 3 and not i.site_required
    )
    two = [answer.id for answer in item.answers if not answer.id.startswith("none")][:2]
    captured = exam(tuple(Finding(item=item.id, value=answer) for answer in two))
    bundle = to_bundle(captured, catalogue)
    values = [
        e["resource"]["identifier"][0]["value"] for e in bundle["entry"] if "valueCodeableConcept" in e["resource"]
    ]
    assert values == [f"inv-1/{item.id}", f"inv-1/{item.id}/2"]
    assert from_bundle(bundle, catalogue) == [captured]
