"""Document bundles (FHIR R4, section 3.3.1): Bundle bdl-9 to bdl-11, Composition (2.42), narratives (2.4)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from hypothesis import given
from invented import exam, mother
from lxml import etree

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive import value_in_words
from adapter.document import visible
from adapter.exam import Exam, Examiner, Finding, Identifier, Status
from adapter.fhir.json import loads
from adapter.fhir.xml import XHTML, from_xml
from adapter.read.bundle import from_bundle
from adapter.validate import validate
from adapter.validate.narrative import is_allowed_html
from adapter.write import write
from adapter.write.document import document
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()
Json = dict[str, Any]


def everything(value: Any) -> Iterator[Mapping[str, Any]]:
    """Every object of a resource."""
    if isinstance(value, Mapping):
        yield value
        for content in value.values():
            yield from everything(content)
    elif isinstance(value, list):
        for entry in value:
            yield from everything(entry)


def composition(bundle: Json) -> Json:
    first: Json = bundle["entry"][0]["resource"]
    return first


def own(concept: Json) -> str:
    """The project's own code of a concept, which stands last."""
    code: str = concept["coding"][-1]["code"]
    return code


def section(bundle: Json, name: str) -> Json:
    (found,) = (one for one in composition(bundle)["section"] if own(one["code"]) == name)
    return found


def words(div: str) -> str:
    return " ".join("".join(f"{part} " for part in etree.fromstring(div.encode()).itertext()).split())


@given(one=exams(CATALOGUE))
@drawn(20)
def test_a_document_reads_back_to_the_same_exam(one: Exam) -> None:
    assert from_bundle(loads(write(one, CATALOGUE, "document", "json")), CATALOGUE) == [one]
    assert from_bundle(from_xml(write(one, CATALOGUE, "document", "xml")), CATALOGUE) == [one]


@given(one=exams(CATALOGUE))
@drawn(20)
def test_it_is_valid_whole_and_readable(one: Exam) -> None:
    bundle = document(one, CATALOGUE)
    assert [str(problem) for problem in validate(bundle)] == []
    assert bundle["type"] == "document"
    assert bundle["identifier"]["value"] == one.details.id
    assert bundle["timestamp"]
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(urls) == len(set(urls))
    references = {node["reference"] for node in everything(bundle) if isinstance(node.get("reference"), str)}
    assert references <= set(urls)
    assert references >= {url for url in urls[1:] if "Provenance" not in url} - _provenance(bundle)
    for node in everything(bundle):
        if "div" in node:
            assert is_allowed_html(node["div"])
            root = etree.fromstring(node["div"].encode())
            assert {etree.QName(one).namespace for one in root.iter()} == {XHTML}
    assert all("text" in entry["resource"] for entry in bundle["entry"])


def _provenance(bundle: Json) -> set[str]:
    """The resources that only point at others: who made it."""
    return {e["fullUrl"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Provenance"}


@given(one=exams(CATALOGUE))
@drawn(20)
def test_the_narrative_of_a_region_says_its_findings(one: Exam) -> None:
    bundle = document(one, CATALOGUE)
    regions = {own(part["code"]): part for part in section(bundle, "findings").get("section", [])}
    skipped = words(section(bundle, "not-examined")["text"]["div"])
    for finding in one.findings:
        item = CATALOGUE.items[finding.item]
        part = regions[CATALOGUE.region_of[item.id]]
        assert part["entry"]
        if finding.not_examined is not None:
            assert CATALOGUE.reasons[finding.not_examined].label in skipped
            continue
        text = words(part["text"]["div"])
        assert item.label in text
        if finding.answer or finding.text:
            assert " ".join(visible(value_in_words(finding, item, CATALOGUE)).split()) in text
    order = [own(part["code"]) for part in section(bundle, "findings").get("section", [])]
    assert order == [region for region in CATALOGUE.regions if region in order]


def test_the_composition_says_who_when_and_how_far_it_stands() -> None:
    examiner = Examiner(
        name="Example Examiner", identifier=Identifier(system="https://example.org/staff", value="7"), role="nurse"
    )
    other = Examiner(name="Only A. Name", role="student")
    bundle = document(exam(examiners=(examiner, other), newborn={"mother": mother()}), CATALOGUE)
    first = composition(bundle)
    assert first["resourceType"] == "Composition"
    assert first["status"] == "final"
    assert first["type"]["coding"][0] == {
        "system": "http://loinc.org",
        "code": "34117-2",
        "display": "History and physical note",
    }
    assert [author["display"] for author in first["author"]] == ["Example Examiner", "Only A. Name"]
    # only whom the record identifies attests; a name alone could be anybody's
    assert [(a["mode"], a["party"]["display"]) for a in first["attester"]] == [("professional", "Example Examiner")]
    assert "custodian" not in first
    assert "relatesTo" not in first
    assert [own(one["code"]) for one in first["section"]] == [
        *("tell", "findings", "not-examined", "not-recorded", "who"),
    ]
    assert section(bundle, "findings")["code"]["coding"][0]["code"] == "29545-1"
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert {"Patient", "RelatedPerson", "DiagnosticReport", "Provenance", "Encounter"} <= set(kinds)


def test_section_codes_are_published_ones_of_the_catalogue() -> None:
    verified = {(code.system, code.code) for _, code in CATALOGUE.codes()}
    bundle = document(exam(), CATALOGUE)
    sections = [*composition(bundle)["section"], *section(bundle, "findings")["section"]]
    codings = [coding for one in sections for coding in one["code"]["coding"]]
    codes = {coding["code"] for coding in codings if coding["system"] == "http://loinc.org"}
    assert codes
    assert {("loinc", code) for code in codes} <= verified
    regions = {own(part["code"]): part for part in section(bundle, "findings")["section"]}
    assert regions["eyes"]["code"]["coding"][0]["display"] == "Physical findings of Eye Narrative"
    assert regions["vital_signs"]["code"]["coding"][0]["code"] == "8716-3"


def test_an_amendment_replaces_and_a_withdrawn_exam_is_in_error() -> None:
    first = document(exam(), CATALOGUE)
    amended = document(
        exam(id="inv-2", status=Status.AMENDED, amends="inv-1", reason="The side was wrong."), CATALOGUE
    )
    assert composition(amended)["status"] == "amended"
    assert composition(amended)["relatesTo"] == [{"code": "replaces", "targetIdentifier": first["identifier"]}]
    assert composition(amended)["identifier"] == composition(first)["identifier"]
    assert amended["identifier"] != first["identifier"]
    assert amended["id"] != first["id"]
    assert "AMENDED: stands in place of exam inv-1" in words(composition(amended)["text"]["div"])
    gone = document(exam(id="inv-3", status=Status.ENTERED_IN_ERROR, amends="inv-1", reason="Wrong."), CATALOGUE)
    assert composition(gone)["status"] == "entered-in-error"
    assert "attester" not in composition(gone)
    assert "ENTERED IN ERROR" in words(composition(gone)["text"]["div"])
    assert validate(gone) == validate(amended) == []


def test_not_recorded_is_unavailable_and_never_nil_known() -> None:
    """R4 list-empty-reason: nilknown is "a positive statement by a clinical user", which a gap in a record is not."""
    bundle = document(exam(findings=(), newborn={"gestation": None}), CATALOGUE)
    gap = section(bundle, "not-recorded")
    assert gap["emptyReason"]["coding"][0]["code"] == "unavailable"
    assert "entry" not in gap
    assert "This says nothing of the infant" in words(gap["text"]["div"])
    reasons = [node["emptyReason"] for node in everything(bundle) if "emptyReason" in node]
    assert all(reason["coding"][0]["code"] != "nilknown" for reason in reasons)
    assert words(section(bundle, "findings")["text"]["div"]) == "No finding is recorded."
    told = words(section(bundle, "tell")["text"]["div"])
    assert "all normal" not in told
    assert validate(bundle) == []


def test_hostile_text_is_only_text() -> None:
    hostile = "</td><script>alert(1)</script> & ]]> \u202eevil"
    bundle = document(
        exam(
            newborn={"name": hostile},
            place=hostile,
            findings=(Finding(item="cry", text=hostile, note=hostile),),
        ),
        CATALOGUE,
    )
    divs = [node["div"] for node in everything(bundle) if "div" in node]
    assert all(is_allowed_html(div) for div in divs)
    assert any("<script>alert(1)</script>" in words(div) for div in divs)
    assert all("\u202e" not in div for div in divs)
    assert from_bundle(bundle, CATALOGUE)[0].newborn.name == hostile
    assert validate(bundle) == []


def test_earlier_exams_have_a_section_of_their_own() -> None:
    later = exam(id="inv-9", started=exam().details.started.replace(day=6))
    bundle = document(later, CATALOGUE, (exam(),))
    assert own(composition(bundle)["section"][1]["code"]) == "changes"
    assert validate(bundle) == []


@pytest.mark.parametrize(
    "setting",
    [
        "emit: {panels: false}",
        "emit: {tell: false}",
        "emit: {provenance: contained}",
        "emit: {ward_encounter: false, device: false}",
        "scores: members",
        "snomed: 'off'",
        "organisation: {name: Elmtown Hospital, identifier: {system: 'https://example.org/org', value: '1'}}",
    ],
)
def test_whatever_a_site_sets(setting: str, tmp_path: Any, every: list[Exam]) -> None:
    (tmp_path / "site.yaml").write_text(setting, encoding="utf-8")
    site: Catalogue = load_catalogue(tmp_path)
    for one in every[::70]:
        bundle = document(one, site)
        assert [str(problem) for problem in validate(bundle)] == []
        assert from_bundle(bundle, site) == [one]
        assert ("custodian" in composition(bundle)) == ("organisation" in setting)


def test_narratives_cost_little(every: list[Exam]) -> None:
    """Less than a third more than the same resources without text."""
    one = max(every, key=lambda one: len(one.findings))
    with_text, without = (len(write(one, CATALOGUE, kind, "json")) for kind in ("document", "collection"))
    assert with_text < without * 4 / 3


def test_the_same_exam_is_the_same_document() -> None:
    assert write(exam(), CATALOGUE, "document", "xml") == write(exam(), CATALOGUE, "document", "xml")
