"""What holds between entries: FHIR R4 bundle.html#references, references.html, patient.html#maternity."""

from __future__ import annotations

from typing import Any

import pytest
from sample_resources import (
    CHILD,
    MOTHER,
    RELATED,
    REPORT,
    WEIGHT,
    Resource,
    bundle,
    changed,
    document,
    family,
    finding,
    patient,
    vital,
)

from adapter.problems import Layer, Severity
from adapter.validate import validate

ELSEWHERE = "urn:uuid:00000000-0000-4000-8000-000000000000"


def found(resource: Resource) -> set[tuple[str, str, str]]:
    problems = validate(resource, layers=[Layer.BUNDLE])
    assert all(p.what and p.remedy and p.section for p in problems)
    return {(p.rule, p.where, p.severity.value) for p in problems}


@pytest.mark.parametrize("resource", [family(), document(), patient(), finding()])
def test_valid_ones_have_no_problem(resource: Resource) -> None:
    assert found(resource) == set()


ERROR, WARNING = Severity.ERROR.value, Severity.WARNING.value

BROKEN: list[tuple[Resource, str, Any, tuple[str, str, str]]] = [
    (family(), "entry.4.fullUrl", "urn:uuid:1", ("full-url-form", "Bundle.entry[4].fullUrl", ERROR)),
    (family(), "entry.4.fullUrl", RELATED.upper(), ("full-url-form", "Bundle.entry[4].fullUrl", ERROR)),
    (family(), "entry.4.fullUrl", "RelatedPerson/1", ("full-url-form", "Bundle.entry[4].fullUrl", ERROR)),
    (family(), "entry.1.resource.subject.reference", ELSEWHERE,
     ("unresolved-reference", "Bundle.entry[1].resource.subject.reference", ERROR)),
    (family(), "entry.1.resource.subject.reference", "Patient/x",
     ("unresolved-reference", "Bundle.entry[1].resource.subject.reference", WARNING)),
    (document(), "entry.0.resource.section.0.entry.0.reference", "Patient/x",
     ("unresolved-reference", "Bundle.entry[0].resource.section[0].entry[0].reference", WARNING)),
    (family(), "entry.2.resource.result.0.reference", CHILD,
     ("reference-target", "Bundle.entry[2].resource.result[0].reference", ERROR)),
    (family(), "entry.1.resource.hasMember", [{"reference": REPORT}],
     ("reference-target", "Bundle.entry[1].resource.hasMember[0].reference", ERROR)),
    (family(), "entry.1.resource.derivedFrom", [{"reference": CHILD}],
     ("reference-target", "Bundle.entry[1].resource.derivedFrom[0].reference", ERROR)),
    (family(), "entry.1.resource.subject.reference", RELATED,
     ("reference-target", "Bundle.entry[1].resource.subject.reference", ERROR)),
    (family(), "entry.1.resource.subject.reference", MOTHER,
     ("mixed-subjects", "Bundle.entry[2].resource.result[0]", ERROR)),
    (family(), "entry.1.resource.subject.reference", MOTHER,
     ("subject-is-mother", "Bundle.entry[1].resource.subject", ERROR)),
    (family(), "entry.3.resource.identifier.0.value", "B-1",
     ("shared-identifier", "Bundle.entry[3].resource.identifier[0]", ERROR)),
    (family(), "entry.4.resource.identifier.0.value", "B-1",
     ("shared-identifier", "Bundle.entry[4].resource.identifier[0]", ERROR)),
    (family(), "entry.3.fullUrl", ..., ("full-url-missing", "Bundle.entry[3]", ERROR)),
    (bundle(("http://example.org/fhir/Patient/p1", {**patient(), "id": "p1"})), "entry.0.resource.id", "p2",
     ("full-url-id", "Bundle.entry[0].fullUrl", ERROR)),
    (document(), "entry.0.resource.section.0.entry.0", {"display": "Invented"},
     ("unreachable-entry", "Bundle.entry[1]", ERROR)),
]  # fmt: skip


@pytest.mark.parametrize(("resource", "path", "value", "problem"), BROKEN)
def test_one_broken_bundle_a_rule(resource: Resource, path: str, value: Any, problem: tuple[str, str, str]) -> None:
    assert problem in found(changed(resource, path, value))


def test_references_by_type_and_id_resolve_without_full_urls() -> None:
    child, weight = {**patient(), "id": "p1"}, vital()
    made = bundle(("http://example.org/fhir/Patient/p1", child), (WEIGHT, weight))
    assert found(made) == set()
    batch = {**changed(made, "entry.0.fullUrl", ...), "type": "batch"}
    assert found(batch) == set()
    assert found(changed(made, "entry.1.resource.subject.reference", "Patient/p1/_history/2")) == set()


def test_a_transaction_may_refer_to_what_the_server_holds() -> None:
    made = {**family(), "type": "transaction"}
    assert found(changed(made, "entry.1.resource.subject.reference", "Patient/x")) == {
        ("mixed-subjects", "Bundle.entry[2].resource.result[0]", ERROR)
    }


def test_the_mother_of_one_may_be_observed_as_herself() -> None:
    """With a report about her it is a warning only: her own findings are hers."""
    made = changed(family(), "entry.1.resource.subject.reference", MOTHER)
    made = changed(made, "entry.2.resource.subject.reference", MOTHER)
    assert found(made) == {("subject-is-mother", "Bundle.entry[1].resource.subject", WARNING)}


def test_members_of_a_panel_share_its_subject() -> None:
    panel = {**finding(), "subject": {"reference": MOTHER}, "hasMember": [{"reference": WEIGHT}]}
    made = family()
    made["entry"].append({"fullUrl": ELSEWHERE, "resource": panel})
    assert ("mixed-subjects", "Bundle.entry[5].resource.hasMember[0]", ERROR) in found(made)


def test_layers_run_alone() -> None:
    made = changed(family(), "entry.1.resource.subject.reference", ELSEWHERE)
    made = changed(made, "entry.1.resource.status", "done")
    assert {p.layer for p in validate(made)} == {Layer.STRUCTURE, Layer.BUNDLE}
    assert {p.layer for p in validate(made, layers=[Layer.BUNDLE])} == {Layer.BUNDLE}
    assert validate(made, layers=[Layer.PROFILES]) == []
    assert validate(made, layers=[]) == []


def _search_set(**entry: Any) -> Resource:
    return {"resourceType": "Bundle", "type": "searchset", "entry": [entry]}


def test_what_a_search_found_has_an_id() -> None:
    """FHIR R4 bundle.html#searchset; a resource that tells of the search (mode outcome) needs none."""
    told: Resource = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "information", "code": "informational"}],
    }
    url = "urn:uuid:00000000-0000-4000-8000-000000000001"
    missing = ("search-result-id", "Bundle.entry[0].resource.id", ERROR)
    assert found(_search_set(fullUrl=url, resource=told, search={"mode": "match"})) == {missing}
    assert found(_search_set(fullUrl=url, resource=told, search={"mode": "outcome"})) == set()
    assert found(_search_set(fullUrl=url, resource=told | {"id": "a"}, search={"mode": "match"})) == set()


def test_a_url_of_a_server_needs_the_id() -> None:
    made: Resource = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {
                "fullUrl": "http://example.org/fhir/Basic/a",
                "resource": {"resourceType": "Basic", "code": {"text": "x"}},
            }
        ],
    }
    assert found(made) == {("full-url-id", "Bundle.entry[0].fullUrl", ERROR)}
    made["type"] = "transaction"
    assert found(made) == set()


@pytest.mark.parametrize(
    ("reference", "rule"),
    [
        ("patient", "reference-form"),
        ("Practitioner/p1", "reference-type"),
        (ELSEWHERE, "unresolved-reference"),
        (RELATED, "reference-target"),
    ],
)
def test_a_reference_that_stands_several_times_is_told_at_each_place(reference: str, rule: str) -> None:
    weights = [changed(vital(), "subject.reference", reference) for _ in range(3)]
    urls = [WEIGHT, f"{WEIGHT[:-1]}a", f"{WEIGHT[:-1]}b"]
    made = bundle((CHILD, patient()), (RELATED, _related()), *zip(urls, weights, strict=True))
    told = {p.where for p in validate(made) if p.rule == rule}
    assert told == {f"Bundle.entry[{number}].resource.subject.reference" for number in (2, 3, 4)}


def test_what_leads_into_the_resource_around_it_is_looked_at_in_each() -> None:
    inner = {**patient(), "id": "inner"}
    weights = [{**changed(vital(), "subject.reference", "#inner"), **more} for more in ({"contained": [inner]}, {})]
    urls = [WEIGHT, f"{WEIGHT[:-1]}a"]
    told = {p.where for p in validate(bundle(*zip(urls, weights, strict=True))) if p.rule == "ref-1"}
    assert told == {"Bundle.entry[1].resource.subject.reference"}


def test_in_a_document_each_entry_that_refers_to_the_newborn_is_reached() -> None:
    weights = [changed(vital(), "subject.reference", CHILD) for _ in range(2)]
    entries = [{"fullUrl": url, "resource": one} for url, one in zip((WEIGHT, RELATED), weights, strict=True)]
    made = document()
    assert found({**made, "entry": [*made["entry"], *entries]}) == set()


def _related() -> Resource:
    return {"resourceType": "RelatedPerson", "patient": {"reference": CHILD}}
