"""Who is who, and which exam: twins, mothers, amendments, retractions; what a server or another system gives back."""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import pytest
from invented import MRN, exam, mother

from adapter.catalogue import Catalogue
from adapter.exam import BirthOrder, Finding, Identifier
from adapter.fhir import BundleType, to_bundle
from adapter.read.bundle import NotReadable, from_bundle


def of_type(bundle: dict[str, Any], resource_type: str) -> list[dict[str, Any]]:
    return [e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == resource_type]


def urls(bundle: dict[str, Any], *but: str) -> list[str]:
    return [e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] not in but]


def twin(order: int) -> dict[str, Any]:
    identifier = Identifier(system=MRN, value=f"B-{order}")
    return {"identifiers": (identifier,), "mother": mother(), "birth_order": BirthOrder(order=order, of=2)}


def test_twins_have_a_related_person_each(catalogue: Catalogue) -> None:
    # FHIR R4, RelatedPerson: one patient each, so one mother of two is two RelatedPersons with her identifiers
    first, second = (to_bundle(exam(newborn=twin(n), id=f"twin-{n}"), catalogue) for n in (1, 2))
    (one,), (other,) = of_type(first, "RelatedPerson"), of_type(second, "RelatedPerson")
    assert one["identifier"][0] != other["identifier"][0]
    assert one["identifier"][1:] == other["identifier"][1:] == [{"system": MRN, "value": "M-1"}]
    assert one["patient"] != other["patient"]
    assert not set(urls(first, "Device")) & set(urls(second, "Device"))
    assert [p["multipleBirthInteger"] for b in (first, second) for p in of_type(b, "Patient")] == [1, 2]


def test_two_exams_of_one_newborn_speak_of_one_patient(catalogue: Catalogue) -> None:
    first, second = (to_bundle(exam(id=f"day-{n}"), catalogue) for n in (1, 2))
    same = set(urls(first)) & set(urls(second))
    types = {e["resource"]["resourceType"] for e in first["entry"] if e["fullUrl"] in same}
    assert types == {"Patient", "Device"}


def test_an_amended_exam_keeps_its_identifiers(catalogue: Catalogue) -> None:
    first = to_bundle(exam(), catalogue)
    changed = exam(id="inv-1-b", status="amended", amends="inv-1", reason="Side was wrong; invented.")
    second = to_bundle(changed, catalogue)
    # what the first version asked to be told is updated or withdrawn
    asked = [r["identifier"] for r in of_type(first, "CommunicationRequest")]
    assert [r["identifier"] for r in of_type(second, "CommunicationRequest") if r["identifier"] in asked] == asked
    apart = ("Provenance", "CommunicationRequest")
    assert urls(first, *apart) == urls(second, *apart)
    assert urls(first) != urls(second)  # each version has a Provenance of its own
    for before, after in zip(of_type(first, "Observation"), of_type(second, "Observation"), strict=True):
        assert before["identifier"] == after["identifier"]
        expected = "registered" if before["status"] == "registered" else "amended"
        assert after["status"] == expected
    (report,) = of_type(second, "DiagnosticReport")
    assert report["status"] == "amended"
    assert [i["value"] for i in report["identifier"]] == ["inv-1", "inv-1-b"]
    assert of_type(second, "Provenance")[0]["reason"] == [{"text": "Side was wrong; invented."}]
    assert from_bundle(second, catalogue) == [changed]


def test_entered_in_error_retracts_everything(catalogue: Catalogue) -> None:
    wrong = exam(id="inv-1-x", status="entered-in-error", amends="inv-1", reason="Wrong infant; invented.")
    bundle = to_bundle(wrong, catalogue)
    statuses = {r["status"] for t in ("Observation", "DiagnosticReport") for r in of_type(bundle, t)}
    assert statuses == {"entered-in-error"}
    assert of_type(bundle, "DiagnosticReport")[0]["conclusion"].startswith("Entered in error.")
    asked = of_type(bundle, "CommunicationRequest")
    assert {r["status"] for r in asked} == {"entered-in-error"}
    assert not any("payload" in r for r in asked)
    apart = ("Provenance", "CommunicationRequest")
    assert urls(bundle, *apart) == urls(to_bundle(exam(), catalogue), *apart)
    assert from_bundle(bundle, catalogue) == [wrong]


def test_two_exams_in_one_bundle_read_back_apart(catalogue: Catalogue) -> None:
    captured = [exam(newborn=twin(n), id=f"twin-{n}") for n in (1, 2)]
    bundles = [to_bundle(one, catalogue, BundleType.COLLECTION) for one in captured]
    both = {**bundles[0], "entry": [entry for bundle in bundles for entry in bundle["entry"]]}
    assert from_bundle(both, catalogue) == captured


def test_what_a_server_gives_back_reads_back(catalogue: Catalogue) -> None:
    captured = exam(newborn={"mother": mother()})
    text = str(to_bundle(captured, catalogue, BundleType.COLLECTION))
    bundle = to_bundle(captured, catalogue, BundleType.COLLECTION)
    served = served_by(bundle, "https://example.org/fhir")
    assert "urn:uuid:" in text
    assert "urn:uuid:" not in str(served)
    assert from_bundle(served, catalogue) == [captured]


def served_by(bundle: dict[str, Any], base: str) -> dict[str, Any]:
    """The bundle as a search set of a server: full URLs under its base, references relative to it."""
    places = {e["fullUrl"]: f"{e['resource']['resourceType']}/{e['resource']['id']}" for e in bundle["entry"]}

    def moved(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: moved(places.get(v, v) if k == "reference" else v) for k, v in value.items()}
        return [moved(entry) for entry in value] if isinstance(value, list) else value

    entries = [
        {"fullUrl": f"{base}/{places[e['fullUrl']]}", "resource": moved(e["resource"])} for e in bundle["entry"]
    ]
    return {"resourceType": "Bundle", "type": "searchset", "entry": entries}


def test_answers_in_components_that_repeat_the_code_read_back(catalogue: Catalogue) -> None:
    # FHIR R4, Observation, invariant obs-7 and its notes: several answers as components of the very same code
    item = next(
        i for i in catalogue.items.values() if i.type == "choices" and len(i.answers) > 3 and not i.site_required
    )
    two = [answer.id for answer in item.answers if not answer.id.startswith("none")][:2]
    captured = exam(tuple(Finding(item=item.id, value=answer) for answer in two))
    bundle = deepcopy(to_bundle(captured, catalogue, BundleType.COLLECTION))
    one, other = (r for r in of_type(bundle, "Observation") if "valueCodeableConcept" in r)
    one["component"] = [
        {"code": one["code"], "valueCodeableConcept": part.pop("valueCodeableConcept")} for part in (one, other)
    ]
    gone = f"urn:uuid:{other['id']}"
    bundle["entry"] = [entry for entry in bundle["entry"] if entry["fullUrl"] != gone]
    for panel in of_type(bundle, "Observation"):
        if "hasMember" in panel:
            panel["hasMember"] = [member for member in panel["hasMember"] if member["reference"] != gone]
    (back,) = from_bundle(bundle, catalogue)
    assert [finding.answer for finding in back.findings] == two


def test_a_reference_that_leads_nowhere_is_named(catalogue: Catalogue) -> None:
    bundle = to_bundle(exam(), catalogue)
    broken = {**bundle, "entry": [e for e in bundle["entry"] if e["resource"]["resourceType"] != "Patient"]}
    with pytest.raises(NotReadable, match=r"DiagnosticReport\.subject.*leads nowhere"):
        from_bundle(broken, catalogue)


def test_a_bundle_of_others_holds_no_exam_of_ours(catalogue: Catalogue) -> None:
    assert from_bundle({"resourceType": "Bundle", "type": "collection", "entry": []}, catalogue) == []
    report = {"resourceType": "DiagnosticReport", "identifier": [{"system": "https://example.org", "value": "x"}]}
    assert from_bundle({"resourceType": "Bundle", "entry": [{"resource": report}]}, catalogue) == []
