"""Templates in a form from which servers that extract by templates make our Observations (HL7 SDC 4.0.0).

A form has one contained transaction, and in it two templates for each group of findings: for what was found, and for
what was not examined (R4 obs-6: no Observation has a value and a reason for none). An entry stands for each
repetition of the group that its condition is true of. All content is the builder's
(:func:`adapter.fhir.observation.observation_of`), asked for each option of the form; what FHIRPath cannot say is left
out rather than said wrongly: what hangs on age or ranges (interpretation and reference range of numbers), what is
computed, and amounts that would need converting.
"""

from __future__ import annotations

from adapter.catalogue import Catalogue
from adapter.fhir.json import Json
from adapter.forms.questionnaire.template_content import EXAM, GroupContent, path_in
from adapter.forms.questionnaire.variants import quoted, valued, within
from adapter.read.questionnaire.form import QuestionnaireForm
from adapter.read.questionnaire.node import FormNode, QuestionType

_EXTRACT = "http://hl7.org/fhir/uv/sdc/StructureDefinition/sdc-questionnaire-templateExtractBundle"
_TRANSACTION = "observation-templates"
EXTRACTED = "extracted-observation"
"""The identifier system of what was extracted: never that of our own Observations, which say more."""

_PLAIN = "'^[A-Za-z0-9._~-]+$'"  # what stands in a URL as it is


def extraction() -> Json:
    """The extension of a form that names its templates."""
    return {"url": _EXTRACT, "valueReference": {"reference": f"#{_TRANSACTION}"}}


def templates_of(form: QuestionnaireForm) -> Json:
    """The contained transaction with the templates of every group of findings in a form."""
    entries = []
    for link, (item, side) in form.findings.items():
        if link in form.by_link:
            content = GroupContent(item, side, form.by_link[link], form.catalogue)
            entries += _entries(content, ".".join(_item(step) for step in form.path[link].split("/")))
    return {"resourceType": "Bundle", "id": _TRANSACTION, "type": "transaction", "entry": entries}


def _item(link_id: str) -> str:
    return f"item.where(linkId='{link_id}')"


def _condition(node: FormNode, catalogue: Catalogue) -> str:
    """What keeps a second extraction from doubling: the search of a conditional create, by the identifier.

    None where it could be misread: an exam id that a URL cannot hold as it is, and words, which do not belong into an
    identifier, so that nothing else tells two of them apart.
    """
    exam = EXAM.format("exam.id")
    system = catalogue.identifier_system(EXTRACTED).replace("|", "%7C").replace("&", "%26")
    key = f"({_key(node)}).replace('+', '%2B').replace(':', '%3A').replace('/', '%2F').replace('|', '%7C')"
    plain = [f"{exam}.matches({_PLAIN})"]
    for child in node.walk():
        if child.key == ("value",) and child.type in (QuestionType.OPEN_CHOICE, QuestionType.TEXT):
            plain.append(f"{path_in(node, child)}.ofType(string).empty()")
    return f"iif({' and '.join(plain)}, {quoted(f'identifier={system}%7C')} & {key}, {{}})"


def _key(node: FormNode) -> str:
    """The FHIRPath of the identifier: exam/item[/side], then whatever else tells two findings of an exam apart."""
    said = [f"{EXAM.format('exam.id')} & {quoted('/' + node.link_id.replace('.', '/'))}"]
    for child in node.walk():
        path = path_in(node, child)
        if not path or child.link_id.endswith((".note", ".more", ".plus")):
            continue
        if child.options:
            said.append(f"('/' & {path}.code.join('+'))" if child.repeats else f"('/' + {path}.code)")
        elif child.type is QuestionType.QUANTITY:
            said.append(f"('/' + {path}.value.toString() + {path}.code)")
        elif child.type in (QuestionType.INTEGER, QuestionType.DECIMAL, QuestionType.DATE_TIME):
            said.append(f"('/' + {path}.toString())")
    return " & ".join(said)


def _some(name: str, elements: list[Json]) -> Json:
    return {name: elements} if elements else {}


def _entries(content: GroupContent, path: str) -> list[Json]:
    """What was found and what was not examined, each under its condition; ``path`` leads to the group."""
    without = " or ".join(f"{one}.exists()" for one in (content.path("not_examined"), *content.unsaid()))
    request = {
        "method": "POST",
        "url": "Observation",
        "_ifNoneExist": valued(_condition(content.node, content.catalogue)),
    }
    found = [
        (f"({without}).not()" if holds == "true" else f"({without}).not() and {holds}", _found(content, value))
        for holds, value in content.values()
    ]
    every = [*found, (without, _not_examined(content))]
    return [
        within(f"{path}.where({condition})", {"resource": resource, "request": request})
        for condition, resource in every
    ]


def _found(content: GroupContent, value: Json) -> Json:
    """The template of what was found, its keys in the order of the standard."""
    of_record = f"{EXAM.format('exam.status')}.code"
    made = _head(content, f"iif({of_record}.exists(), {of_record}, 'final')") | value
    if judged := content.interpretation():
        made["interpretation"] = judged
    made |= {**_foot(content), "method": content.method(implied=True)}
    return made | _some("component", [*content.components(), *([] if content.item.profile else content.details())])


def _not_examined(content: GroupContent) -> Json:
    """The template of what was not examined, or cannot be said."""
    made = {**_head(content, content.status()), "dataAbsentReason": content.absent(), **_foot(content)}
    made["method"] = content.method(implied=False)
    return made | _some("component", [*content.missing(), *([] if content.item.profile else content.details())])


def _head(content: GroupContent, status: str) -> Json:
    """What comes before the value."""
    plain = content.built({})
    made: Json = {"resourceType": "Observation"}
    made |= {name: plain[name] for name in ("meta", "language") if name in plain}
    made |= _some("extension", list(content.details()) if content.item.profile else [])
    system = content.catalogue.identifier_system(EXTRACTED)
    made["identifier"] = [{"system": system, "_value": valued(_key(content.node))}]
    made |= {"status": "unknown", "_status": valued(status), "category": plain["category"]}
    made["code"] = {"coding": content.code(), "text": content.item.label}
    made |= {name: valued(f"%resource.{name}") for name in ("subject", "encounter")}
    if content.item.profile:  # vs-1 asks for a day in the template too
        made["effectiveDateTime"] = "1900-01-01"
    made["_effectiveDateTime"] = valued(content.effective())
    made["performer"] = [valued("%resource.author")]
    return made


def _foot(content: GroupContent) -> Json:
    """The examiner's note and the place."""
    return {"note": [within(content.path("note"), {"_text": valued("$this")})], **content.body_site()}
