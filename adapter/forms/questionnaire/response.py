"""An exam as FHIR R4 QuestionnaireResponse (section 2.43) to the form of its kind; reading it back loses nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Identifier
from adapter.fhir.json import Json
from adapter.read.questionnaire.answers import written
from adapter.read.questionnaire.form import ORDER, RESPONSE_STATUS, QuestionnaireForm, form_of
from adapter.read.questionnaire.node import FormNode, QuestionType
from adapter.read.questionnaire.sheet import NotInForm, to_sheet


def to_response(exam: Exam, catalogue: Catalogue, *, apart: bool = False) -> Json:
    """The QuestionnaireResponse of an exam without errors; ``apart``: with one answer in each repetition of a group,
    as the form with templates asks.

    Raises :class:`NotInForm` for what no form has a place for.
    """
    details = exam.details
    if details.kind not in catalogue.kinds:
        raise NotInForm(f"there is no kind of exam {details.kind}")
    if exam.told:
        raise NotInForm("the form does not ask who was told of what; the capture record keeps it")
    if any(person is not None and person.facts for person in (exam.newborn, exam.newborn.mother, *details.examiners)):
        raise NotInForm("the form does not ask further facts of persons; the capture record keeps them")
    form = form_of(catalogue, details.kind)
    record = exam.record()
    sheet = {"exam": record["exam"], "newborn": record["newborn"], "findings": to_sheet(record, form, apart=apart)}
    if regions := _opened(sheet["findings"], form):
        sheet["further"] = regions
    for link, entries in sheet["findings"].items():
        hidden = {child.key[0] for child in form.by_link[f"{link}.details"].children}
        for entry in entries:
            entry |= {"more": True} if hidden & entry.keys() else {}
    response: Json = {
        "resourceType": "QuestionnaireResponse",
        "identifier": {"system": catalogue.identifier_system("capture-record"), "value": details.id},
        "questionnaire": form.canonical_with_templates if apart else form.canonical,
        "status": RESPONSE_STATUS[details.status],
        "subject": _reference("Patient", exam.newborn.identifiers[0], catalogue),
    }
    if details.encounter is not None:
        response["encounter"] = _reference("Encounter", details.encounter, catalogue)
    response["authored"] = (details.ended or details.started).isoformat()
    examiner = details.examiners[0]
    response["author"] = _reference("Practitioner", examiner.identifier, catalogue) if examiner.identifier else {}
    if examiner.shown_name is not None:
        response["author"]["display"] = examiner.shown_name
    try:
        response["item"] = list(_items(form.nodes, sheet, form))
    except KeyError as error:
        raise NotInForm(str(error.args[0])) from None
    return response


def _reference(kind: str, identifier: Identifier, catalogue: Catalogue) -> Json:
    """By business identifier: the resource's id on a server is not known here."""
    resolved = catalogue.resolve(identifier)
    return {"type": kind, "identifier": {"system": resolved.system, "value": resolved.value}}


def _opened(findings: Json, form: QuestionnaireForm) -> list[str]:
    """The regions beyond what this kind of exam covers in which something was found."""
    question = form.by_link.get("about.further")
    if question is None:
        return []
    within = {form.path[link].split("/")[0] for link in findings}
    return [option.id for option in question.options if f"further.{option.id}" in within]


def _items(nodes: Iterable[FormNode], data: Json, form: QuestionnaireForm) -> Iterator[Json]:
    for node in nodes:
        name = {"linkId": node.link_id, "text": node.text}
        if node.is_list:
            for entry in _get(data, node.key) or ():
                yield {**_order(entry, form), **name, "item": list(_items(node.children, entry, form))}
        elif node.type is QuestionType.GROUP:
            if within := list(_items(node.children, data, form)):
                yield {**name, "item": within}
        elif node.key and (value := _get(data, node.key)) is not None:
            values = value if isinstance(value, list) else [value]
            yield {**name, "answer": [written(one, node, form.catalogue) for one in values]}


def _order(entry: Json, form: QuestionnaireForm) -> Json:
    if "order" not in entry:
        return {}
    url = f"{form.catalogue.settings.canonical}/{ORDER}"
    return {"extension": [{"url": url, "valuePositiveInt": entry["order"]}]}


def _get(data: Any, key: tuple[str, ...]) -> Any:
    for step in key:
        if not isinstance(data, dict) or step not in data:
            return None
        data = data[step]
    return data
