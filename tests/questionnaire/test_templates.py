"""Template Observations in a form (HL7 SDC 4.0.0, Form Data Extraction, template-based).

``extract.py`` extracts by them and compares with what ``convert`` makes; here is what needs no node.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from antlr4 import CommonTokenStream, InputStream  # type: ignore[import-untyped]
from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser
from items import by_link, extensions, read, walk

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.forms import to_questionnaire, to_response
from adapter.read import to_json
from adapter.validate import validate

Json = dict[str, Any]
SDC = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-"
"""Of the extensions' definitions in the guide."""

ELEMENTS = {
    # FHIR R4: QuestionnaireResponse, Coding, Quantity, Extension
    *("item", "linkId", "answer", "value", "subject", "encounter", "author"),
    *("system", "code", "display", "unit", "comparator", "extension", "url"),
}
FUNCTIONS = {
    # FHIRPath 2.0.0 (N1)
    *("where", "exists", "empty", "not", "count", "ofType", "combine", "iif", "matches", "replace", "startsWith"),
    *("toString", "join"),
}
OTHER_WORDS = {"and", "or", "resource", "this", "Coding", "string", "minutes", "true", "false"}


@pytest.fixture(scope="module")
def form(catalogue: Catalogue) -> Json:
    return to_questionnaire(catalogue, "shift", templates=True)


@pytest.fixture(scope="module")
def entries(form: Json) -> list[Json]:
    [reference] = extensions(form, "templateExtractBundle")
    transaction = next(one for one in form["contained"] if f"#{one['id']}" == reference["reference"])
    assert transaction["type"] == "transaction"
    found: list[Json] = transaction["entry"]
    return found


def expressions(element: Any) -> Iterator[str]:
    """Every FHIRPath in a template."""
    if isinstance(element, list):
        for one in element:
            yield from expressions(one)
    elif isinstance(element, dict):
        if element.get("url") in (f"{SDC}templateExtractContext", f"{SDC}templateExtractValue"):
            yield element["valueString"]
        for value in element.values():
            yield from expressions(value)


def of(entries: list[Json], link_id: str) -> list[Json]:
    """The templates of a group of findings."""
    [*found] = [one for one in entries if f"linkId='{link_id}')" in one["extension"][0]["valueString"]]
    return [one["resource"] for one in found]


def test_the_form_with_templates_is_an_artifact_of_its_own(form: Json, catalogue: Catalogue) -> None:
    """One URL and version is one content (FHIR R4, canonical URLs), so that both forms can be on one server."""
    plain = to_questionnaire(catalogue, "shift")
    assert form["url"] == f"{plain['url']}-templates"
    assert form["derivedFrom"] == [f"{plain['url']}|{plain['version']}"]
    assert (form["id"], form["name"]) == ("exam-shift-templates", "NewbornExamShiftTemplates")


def test_templates_are_valid_as_they_stand(entries: list[Json], catalogue: Catalogue) -> None:
    """A server may check a form before it takes it. One item of each make here, all of them by ``-m reference``."""
    makes = {(i.type, i.sides, bool(i.sites), bool(i.profile)): i.id for i in catalogue.offered.values()}
    for item in makes.values():
        for template in [*of(entries, item), *of(entries, f"{item}.left")]:
            errors = [problem for problem in validate(template) if problem.severity == "error"]
            assert errors == []


def test_every_group_of_findings_has_its_templates(form: Json, entries: list[Json], catalogue: Catalogue) -> None:
    """One for each type of value, and one for what was not examined, which alone says why there is no value."""
    groups = [link.removesuffix(".not_examined") for link in by_link(form) if link.endswith(".not_examined")]
    assert len(groups) > 200
    for group in groups:
        *found, missing = of(entries, group)
        assert found
        assert "dataAbsentReason" in missing
        assert not [name for one in found for name in one if name == "dataAbsentReason"]
        assert not [name for name in missing if name.startswith(("value", "_value", "interpretation"))]
    assert len(of(entries, "first_stool")) == 3


def test_every_expression_is_fhirpath_and_names_what_there_is(form: Json, entries: list[Json]) -> None:
    """By another grammar of FHIRPath 2.0.0: the shortest of those with the same words; most differ in literals."""
    links = {item["linkId"] for item in walk(form["item"])}
    every = {*expressions(entries)}
    assert len(every) > 5_000
    named = {link for one in every for link in re.findall(r"linkId='([^']*)'", one)}
    assert named <= links
    by_words: dict[frozenset[str], str] = {}
    for shape in sorted({_shape(one) for one in every}, key=len):
        by_words.setdefault(frozenset(re.findall(r"[A-Za-z]+", shape.replace("'x'", ""))), shape)
    assert frozenset().union(*by_words) <= ELEMENTS | FUNCTIONS | OTHER_WORDS
    for shape in by_words.values():
        parser = FHIRPathParser(CommonTokenStream(FHIRPathLexer(InputStream(shape))))
        parser.removeErrorListeners()
        parser.entireExpression()
        assert parser.getNumberOfSyntaxErrors() == 0, shape


def _shape(expression: str) -> str:
    return re.sub(r"'(?:[^'\\]|\\.)*'", "'x'", expression)


def test_an_interpretation_that_hangs_on_age_is_left_out(entries: list[Json], catalogue: Catalogue) -> None:
    by_age = {(item.id, a.id) for item in catalogue.offered.values() for a in item.answers if a.when is not None}
    assert ("murmur", "soft_systolic_first_24h_well") in by_age
    for entry in entries:
        said = " ".join(expressions(entry["resource"].get("interpretation", [])))
        assert not [one for one in by_age if f"code='{one[0]}.{one[1]}'" in said]
    for number in ("heart_rate", "weight", "apgar_5_min", "blood_pressure"):
        assert not [
            name for one in of(entries, number) for name in one if name in ("interpretation", "referenceRange")
        ]
    [answered, _] = of(entries, "clavicle.left")
    assert "clavicle.crepitus" in " ".join(expressions(answered["interpretation"]))


def test_the_content_is_that_of_our_observations(entries: list[Json], catalogue: Catalogue) -> None:
    """The codes of the R4 vital signs profile of heart rate; LOINC as in the catalogue's own question."""
    [rate, beyond, _] = of(entries, "heart_rate")
    assert rate["meta"] == {"profile": ["http://hl7.org/fhir/StructureDefinition/heartrate"]}
    assert rate["code"]["coding"][0]["code"] == "8867-4"
    assert rate["valueQuantity"]["code"] == "/min"
    assert "comparator" not in rate["valueQuantity"]
    assert "_comparator" in beyond["valueQuantity"]
    [identifier] = rate["identifier"]
    assert identifier["system"] != catalogue.identifier_system("observation")


def test_nothing_else_is_extracted(form: Json, catalogue: Catalogue) -> None:
    """Else each finding would be made twice; a template has one value, so an answer does not repeat."""
    plain = to_questionnaire(catalogue, "shift")
    marks = {f"{SDC}observationExtract", f"{SDC}observation-extract-category"}
    assert marks <= {one["url"] for item in walk(plain["item"]) for one in item.get("extension", ())}
    assert not marks & {one["url"] for item in walk(form["item"]) for one in item.get("extension", ())}
    assert by_link(plain)["skin_colour.value"]["repeats"]
    assert "repeats" not in by_link(form)["skin_colour.value"]
    assert "extension" not in plain


def test_responses_with_answers_apart_come_back(catalogue: Catalogue, every: list[Exam]) -> None:
    exam = every[0]
    response = to_response(exam, catalogue, apart=True)
    assert response["questionnaire"].startswith(
        f"{to_response(exam, catalogue)['questionnaire'].split('|')[0]}-templates|"
    )
    assert all(len(item["answer"]) == 1 for item in walk(response["item"]) if item["linkId"].endswith(".value"))
    reading = read(response, catalogue)
    assert reading.exam is not None
    assert to_json(reading.exam) == to_json(exam)
