"""The tables as views of FHIR: ViewDefinitions (SQL on FHIR v2, Shareable and Tabular profiles), from the catalogue.

A view's columns have the names they have in the tables of :mod:`adapter.write.tables`, and hold the same. Keys
(``observation_id``, ``newborn_id``) are what ``getResourceKey`` and ``getReferenceKey`` give, which each runner may
choose; moments keep their text with its offset. What FHIR does not hold (hours of life, what was not recorded) is in
the tables alone, and the wide table is a pivot that views do not make.
"""

from __future__ import annotations

from typing import Any

from adapter.catalogue import Catalogue
from adapter.fhir.json import Json
from adapter.fhir.observation import CAPTURED
from adapter.fhir.parts import ABSENT, CATEGORY, DETAIL, INTERPRETATION
from adapter.fhir.people import BIRTH_TIME, BIRTH_TOTAL

_CONCEPT = "value.ofType(CodeableConcept)"
_QUANTITY = "value.ofType(Quantity)"


def views(catalogue: Catalogue) -> dict[str, Json]:
    """Every ViewDefinition by its name."""
    made = (_findings(catalogue), _components(catalogue), _exams(catalogue), _newborns(catalogue))
    return {view["name"]: view for view in made}


def _view(
    name: str, resource: str, title: str, catalogue: Catalogue, columns: list[Json], where: str, **select: Any
) -> Json:
    """``select`` holds what unnests: ``forEach`` with its columns."""
    selects = [{"column": columns}, *([select] if select else [])]
    return {
        "resourceType": "ViewDefinition",
        "url": f"{catalogue.settings.canonical}/ViewDefinition/{name}",
        "name": name,
        "title": title,
        "version": catalogue.settings.version,
        "status": "active",
        "fhirVersion": ["4.0.1"],
        "resource": resource,
        "constant": _constants(catalogue),
        "select": selects,
        "where": [{"path": where}],
    }


_OWN = (
    "item",
    "answer",
    "component",
    "side",
    "meaning",
    "reason",
    "method",
    "state",
    "site",
    "kind",
    "rule",
    "detail",
)


def _constants(catalogue: Catalogue) -> list[Json]:
    """The URIs that paths name: of the code systems, the identifier systems and the extensions."""
    found = {f"{name}_codes": catalogue.uri(name) for name in (*_OWN, "loinc", "snomed")}
    found |= {f"{name}_ids": catalogue.identifier_system(name) for name in ("observation", "exam")}
    found["version_ids"] = catalogue.identifier_system("exam-version")
    found["detail_url"] = f"{catalogue.settings.canonical}/{DETAIL}"
    found["captured_url"] = f"{catalogue.settings.canonical}/{CAPTURED}"
    found |= {"category_codes": CATEGORY, "interpretation_codes": INTERPRETATION, "absent_codes": ABSENT}
    found |= {"birth_time_url": BIRTH_TIME, "birth_total_url": BIRTH_TOTAL}
    return [{"name": name, "valueString": uri} for name, uri in found.items()]


def _column(name: str, path: str, type_: str = "string", description: str = "") -> Json:
    return {"name": name, "path": path, "type": type_, **({"description": description} if description else {})}


def _own(concept: str, system: str) -> str:
    """The code that a concept has in one of our own systems."""
    return f"{concept}.coding.where(system = %{system}_codes).code.first()"


def _all(concept: str, system: str) -> str:
    """The codes that a concept has in a published system, ``;`` between several."""
    return f"{concept}.coding.where(system = %{system}_codes).code.join(';')"


def _detail(code: str, value: str) -> str:
    """How a finding was made: a component, or in a vital sign an extension."""
    told = f"coding.where(system = %detail_codes and code = '{code}').exists()"
    component = f"component.where(code.{told}).{value}"
    extension = f"extension.where(url = %detail_url and extension.where(url = 'code').{_CONCEPT}.{told})"
    return f"({component} | {extension}.extension.where(url = 'value').{value})"


def _findings(catalogue: Catalogue) -> Json:
    spoken = f"(value.ofType(string) | {_CONCEPT}.where(coding.empty()).text).first()"
    columns = [
        _column("observation_id", "getResourceKey()"),
        _column("finding_id", "identifier.where(system = %observation_ids).value.first()"),
        _column("newborn_id", "subject.getReferenceKey(Patient)"),
        _column("observation_status", "status", "code", "FHIR status; cancelled or registered: not examined"),
        _column("item", _own("code", "item"), "code"),
        _column("item_label", "code.text"),
        _column("category", "category.coding.where(system = %category_codes).code.first()", "code"),
        _column("side", _own(_detail("side", _CONCEPT), "side"), "code"),
        _column("site", _own("bodySite", "site"), "code"),
        _column("site_snomed", _all("bodySite", "snomed")),
        _column("not_examined", _own("dataAbsentReason", "reason"), "code"),
        _column("absent_reason", _own("dataAbsentReason", "absent"), "code", "FHIR data-absent-reason"),
        _column("answer_code", _own(_CONCEPT, "answer"), "code", "item.answer"),
        _column("answer_label", f"{_CONCEPT}.where(coding.exists()).text"),
        _column("total", "value.ofType(integer)", "integer", "Total of a score"),
        _column("sent_number", f"{_QUANTITY}.value", "decimal"),
        _column("sent_unit", f"{_QUANTITY}.code", "code"),
        _column("comparator", f"{_QUANTITY}.comparator", "code"),
        _column("moment", "value.ofType(dateTime)", "dateTime"),
        _column("in_words", spoken),
        _column("loinc", _all("code", "loinc")),
        _column("snomed", _all("code", "snomed")),
        _column("answer_loinc", _all(_CONCEPT, "loinc")),
        _column("answer_snomed", _all(_CONCEPT, "snomed")),
        _column("meaning", _own("interpretation", "meaning"), "code"),
        _column("interpretation", _own("interpretation", "interpretation"), "code"),
        _column("method", _own("method", "method"), "code"),
        _column("infant_state", _own(_detail("state", _CONCEPT), "state"), "code"),
        _column("counted_seconds", f"{_detail('counted-seconds', f'{_QUANTITY}.value')}.first()", "decimal"),
        _column("observed", "effective.ofType(dateTime)", "dateTime"),
        _column("note", "note.where(author.empty()).text.first()"),
        _column("rule", _own("method", "rule"), "code"),
    ]
    title = "Findings of newborn examinations, one row each, those not examined too"
    return _view("newborn_findings", "Observation", title, catalogue, columns, _IS_FINDING)


_IS_FINDING = "identifier.where(system = %observation_ids).exists() and hasMember.empty()"


def _components(catalogue: Catalogue) -> Json:
    own = [
        _column("finding_id", "identifier.where(system = %observation_ids).value.first()"),
        _column("newborn_id", "subject.getReferenceKey(Patient)"),
        _column("observation_status", "status", "code", "FHIR status; entered-in-error: to be left out"),
        _column("item", _own("code", "item"), "code"),
    ]
    parts = [
        _column("component_code", _own("code", "component"), "code", "item.component"),
        _column("component_label", "code.text"),
        _column("number", f"{_QUANTITY}.value", "decimal"),
        _column("unit", f"{_QUANTITY}.code", "code"),
        _column("answer_code", _own(_CONCEPT, "answer"), "code", "item.sign.answer"),
        _column("answer_label", f"{_CONCEPT}.text"),
        _column("loinc", _all("code", "loinc")),
        _column("snomed", _all("code", "snomed")),
        _column("answer_loinc", _all(_CONCEPT, "loinc")),
        _column("answer_snomed", _all(_CONCEPT, "snomed")),
        _column("meaning", _own("interpretation", "meaning"), "code"),
        _column("interpretation", _own("interpretation", "interpretation"), "code"),
    ]
    title = "Numbers of measurements that have several, and signs of scores"
    where = f"{_IS_FINDING} and dataAbsentReason.empty()"
    each = "component.where(code.coding.where(system = %component_codes).exists() and dataAbsentReason.empty())"
    return _view("newborn_components", "Observation", title, catalogue, own, where, forEach=each, column=parts)


def _exams(catalogue: Catalogue) -> Json:
    columns = [
        _column("report_id", "getResourceKey()"),
        _column("exam_id", "identifier.where(system = %version_ids).value.first()"),
        _column("exam_root", "identifier.where(system = %exam_ids).value.first()"),
        _column("exam_status", "status", "code"),
        _column("newborn_id", "subject.getReferenceKey(Patient)"),
        _column("kind", _own("code", "kind"), "code"),
        _column("started", "(effective.ofType(dateTime) | effective.ofType(Period).start).first()", "dateTime"),
        _column("ended", "effective.ofType(Period).end", "dateTime"),
    ]
    where = "identifier.where(system = %exam_ids).exists()"
    return _view("newborn_exams", "DiagnosticReport", "Newborn examinations", catalogue, columns, where)


def _newborns(catalogue: Catalogue) -> Json:
    columns = [
        _column("newborn_id", "getResourceKey()"),
        _column("sex", "gender", "code"),
        _column("birth", "birthDate.extension.where(url = %birth_time_url).value.ofType(dateTime)", "dateTime"),
        _column("birth_order", "multipleBirth.ofType(integer)", "integer"),
    ]
    return _view("newborns", "Patient", "Newborns who were examined", catalogue, columns, "birthDate.exists()")
