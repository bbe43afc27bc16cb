"""A form as FHIR R4 Questionnaire (section 2.42) with the extensions of SDC that general form renderers know.

HL7 Structured Data Capture 4.0.0: *Advanced Form Rendering* (hints, units, limits) and *Form Data Extraction*,
Observation-based (what to extract, and under which category), or by templates.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal

from adapter.catalogue import Catalogue
from adapter.catalogue.codings import codings
from adapter.fhir.json import Json
from adapter.forms.questionnaire.templates import extraction, templates_of
from adapter.read.questionnaire.form import QuestionnaireForm, form_of, with_templates
from adapter.read.questionnaire.node import EnableWhen, FormNode, Option, QuestionType

_CORE = "http://hl7.org/fhir/StructureDefinition/"
_SDC = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-"
_CONTROL = "http://hl7.org/fhir/questionnaire-item-control"
_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"

PUBLISHED = "StructureDefinition/published-coding"
"""Our extension on a coding of our own: a published coding of the same concept, as the Observation carries it."""


def to_questionnaire(catalogue: Catalogue, kind: str, *, templates: bool = False) -> Json:
    """The Questionnaire of a kind of exam, made of the catalogue alone; the same catalogue makes the same bytes.

    ``templates``: with template Observations for servers that extract by them, in place of the marks for
    observation-based extraction. An answer of several is then a repetition of its group, as a template has one value.
    Raises ``KeyError`` where the catalogue has no such kind.
    """
    form = form_of(catalogue, kind)
    settings, say = catalogue.settings, catalogue.words.say
    name = "".join(part.capitalize() for part in re.findall(r"[A-Za-z0-9]+", kind))
    questionnaire: Json = {
        "resourceType": "Questionnaire",
        "id": with_templates(f"exam-{kind}") if templates else f"exam-{kind}",
        **({"language": settings.language} if settings.language else {}),
        **({"extension": [extraction()]} if templates else {}),
        "contained": [*_value_sets(form), *([templates_of(form)] if templates else ())],
        "url": with_templates(form.url) if templates else form.url,
        "version": form.version,
        "name": f"NewbornExam{name}{'Templates' if templates else ''}",
        "title": form.kind.label,
        **({"derivedFrom": [form.canonical]} if templates else {}),
        "status": "active",
        # a canonical under .invalid (RFC 2606) is nobody's: then the form is for trying out
        "experimental": ".invalid" in settings.canonical,
        "subjectType": ["Patient"],
        "date": settings.policy.date,
        "description": say("form.description", kind=form.kind.label, policy=settings.policy.name),
        "purpose": say("form.purpose"),
        "copyright": catalogue.notice(),
        "code": codings(catalogue).kind(kind),
        "item": [_item(node, form, templates) for node in form.nodes],
    }
    if not re.fullmatch(r"\d{4}(-\d\d(-\d\d)?)?", settings.policy.date):
        del questionnaire["date"]
    return questionnaire


def _item(node: FormNode, form: QuestionnaireForm, templates: bool) -> Json:
    item: Json = {}
    if extensions := list(_extensions(node, form, templates)):
        item["extension"] = extensions
    item["linkId"] = node.link_id
    if node.codes:
        item["code"] = list(node.codes)
    item["text"] = node.text
    item["type"] = node.type.value
    if node.when:
        item["enableWhen"] = [_when(one) for one in node.when]
        if len(node.when) > 1:
            item["enableBehavior"] = "all" if node.when_all else "any"
    # A renderer that asks a required group and its required questions each for itself never calls the form whole.
    asked_within = node.repeats and any(child.required for child in node.children)
    if node.required and not asked_within:
        item["required"] = True
    if node.repeats and not (templates and node.key == ("value",)):
        item["repeats"] = True
    if node.list_of:
        item["answerValueSet"] = f"#{node.list_of}"
    elif node.options:
        item["answerOption"] = [{"valueCoding": _coding(option, form)} for option in node.options]
    if node.children:
        item["item"] = [_item(child, form, templates) for child in node.children]
    return item


def _when(one: EnableWhen) -> Json:
    name, value = one.answer
    return {"question": one.question, "operator": one.operator, f"answer{name.removeprefix('value')}": value}


def _coding(option: Option, form: QuestionnaireForm) -> Json:
    url = f"{form.catalogue.settings.canonical}/{PUBLISHED}"
    further = [{"url": url, "valueCoding": coding} for coding in option.published]
    return (
        {"extension": [*option.coding.get("extension", ()), *further], **_bare(option)} if further else option.coding
    )


def _bare(option: Option) -> Json:
    return {name: value for name, value in option.coding.items() if name != "extension"}


def _extensions(node: FormNode, form: QuestionnaireForm, templates: bool) -> Iterator[Json]:
    if node.type is QuestionType.DISPLAY:
        yield _control("help", "Help-Button")
    if node.type is QuestionType.QUANTITY:
        yield from ({"url": f"{_CORE}questionnaire-unitOption", "valueCoding": unit} for unit in node.units)
    elif node.units:
        yield {"url": f"{_CORE}questionnaire-unit", "valueCoding": node.units[0]}
    yield from _limits(node)
    if node.whole and len(node.units) == 1:
        yield {"url": f"{_CORE}maxDecimalPlaces", "valueInteger": 0}
    if node.list_of or len(node.options) > 8:
        yield _control("drop-down", "Drop down")
    if node.extract and not templates:
        yield {"url": f"{_SDC}observationExtract", "valueBoolean": True}
        coding = {"system": _CATEGORY, "code": node.category}
        yield {"url": f"{_SDC}observation-extract-category", "valueCodeableConcept": {"coding": [coding]}}


def _limits(node: FormNode) -> Iterator[Json]:
    """What is possible: the plausible limits are narrower, but what lies outside them may still be true."""
    for word, limit in (("min", node.low), ("max", node.high)):
        if limit is None:
            continue
        if node.type is QuestionType.QUANTITY:
            unit = node.units[0]
            quantity = {"value": limit, "unit": unit["display"], "system": unit["system"], "code": unit["code"]}
            yield {"url": f"{_SDC}{word}Quantity", "valueQuantity": quantity}
        elif node.type is QuestionType.INTEGER:
            yield {"url": f"{_CORE}{word}Value", "valueInteger": int(limit)}
        else:
            yield {"url": f"{_CORE}{word}Value", "valueDecimal": Decimal(limit)}


def _control(code: str, display: str) -> Json:
    coding = {"system": _CONTROL, "code": code, "display": display}
    return {"url": f"{_CORE}questionnaire-itemControl", "valueCodeableConcept": {"coding": [coding]}}


def _value_sets(form: QuestionnaireForm) -> list[Json]:
    """The lists that many questions share, expanded, so that a renderer needs no terminology server."""
    lists = {node.list_of: node.options for top in form.nodes for node in top.walk() if node.list_of}
    return [_value_set(name, lists[name], form) for name in sorted(lists)]


def _value_set(name: str, options: tuple[Option, ...], form: QuestionnaireForm) -> Json:
    system = options[0].coding["system"]
    concepts = [{"code": o.coding["code"], "display": o.coding["display"]} for o in options]
    return {
        "resourceType": "ValueSet",
        "id": name,
        # that of the package's value set of the same codes, for a validator that does not look at contained ones
        "url": f"{form.catalogue.settings.canonical}/ValueSet/{system.rpartition('/')[2]}",
        "version": form.version,
        "name": f"NewbornExam{name.capitalize()}",
        "status": "active",
        "compose": {"include": [{"system": system, "concept": concepts}]},
        "expansion": {
            "timestamp": "2026-01-01T00:00:00Z",
            "contains": [{"system": system, **concept} for concept in concepts],
        },
    }
