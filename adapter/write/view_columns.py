"""Which columns of the tables the views have, and why each other one is not in them: ``views/columns.csv``."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.write.tables import TABLES
from adapter.write.views import views

VIEW_OF = {
    "exams": "newborn_exams",
    "findings": "newborn_findings",
    "components": "newborn_components",
    "newborns": "newborns",
    "tells": "",
    "tellings": "",
}
_PIVOT = "a pivot of the findings, which a view does not make: pivot newborn_findings"
_AGE = "hours between two elements of two resources, which a view of one resource cannot count"
_CUT = "a part of a text: FHIRPath as views have it does not cut texts; it is in"
_CATALOGUE = "not in the resource: join it from the dictionary by item"
_OTHER = "in another resource, and a view sees one"
_OFFSET = "in the text of the moment, which keeps its offset"
_CAPTURED = "an extension where it differs from what was sent, and only there"
_TOTALS = "what the software counts over all findings of the exam, which no resource holds"
_MANY = "several in one element: unnest it in a view of your own"
_WHY = {
    "exams": {
        "amended_because": f"{_OTHER}: the Provenance",
        "started_offset_minutes": _OFFSET,
        "ended_offset_minutes": _OFFSET,
        "age_hours": _AGE,
        "place": f"{_OTHER}: the Encounter",
        "encounter": f"{_OTHER}: the Encounter",
        "examiner_roles": f"{_OTHER}: the Provenance",
        "examiners": f"{_OTHER}: the Practitioners",
        "sex": f"{_OTHER}: the Patient",
        "gestation_weeks": f"{_OTHER}: the Observation of gestation",
        "gestation_total_days": f"{_OTHER}: the Observation of gestation",
        "repeated": _PIVOT,
    },
    "findings": {
        "exam_id": f"{_CUT} finding_id, exam/item",
        "exam_status": f"{_OTHER}: the DiagnosticReport; observation_status says whether it was entered in error",
        "finding_number": "the order of DiagnosticReport.result, which is another resource",
        "origin": "method says so: what a rule or table computed has one of ours",
        "region": _CATALOGUE,
        "item_type": _CATALOGUE,
        "status": "observation_status: cancelled or registered is not examined, all else examined",
        "value": "a text made of the value; its parts are columns of their own",
        "answer": f"{_CUT} answer_code, item.answer",
        "number": "the item's own unit, which FHIR need not hold: sent_number with sent_unit, and total",
        "unit": _CATALOGUE,
        "captured_number": _CAPTURED,
        "captured_unit": _CAPTURED,
        "moment_offset_minutes": _OFFSET,
        "moment_age_hours": _AGE,
        "not_judged": "that nothing judges it, which no element says",
        "judged_as": "interpretation says it, as a code of HL7",
        "urgency": f"{_OTHER}: the CommunicationRequest that is about it",
        "observed_offset_minutes": _OFFSET,
        "age_hours": _AGE,
        "rule_version": f"{_CUT} method's coding, where it has a version",
        "derived_from": _MANY,
    },
    "components": {
        "exam_id": f"{_CUT} finding_id, exam/item",
        "exam_status": f"{_OTHER}: the DiagnosticReport; observation_status says whether it was entered in error",
        "component": f"{_CUT} component_code, item.component",
        "captured_number": _CAPTURED,
        "captured_unit": _CAPTURED,
        "answer": f"{_CUT} answer_code, item.sign.answer",
        "urgency": "of a component no element says it",
    },
    "newborns": {
        "identifiers": _MANY,
        "name": _MANY,
        "birth_offset_minutes": _OFFSET,
        "birth_year": f"{_CUT} birth",
        "born_of": "an extension of an element, which not every runner sees",
        "gestation_weeks": f"{_OTHER}: the Observation of gestation",
        "gestation_days": f"{_OTHER}: the Observation of gestation",
        "gestation_total_days": f"{_OTHER}: the Observation of gestation",
        "gestation_method": f"{_OTHER}: the Observation of gestation",
        "mother_id": "FHIR names her after each newborn: RelatedPerson",
        "mother_identifiers": f"{_OTHER}: the RelatedPerson",
        "mother_name": f"{_OTHER}: the RelatedPerson",
    },
}
_TELLS = "a CommunicationRequest holds all lines of one urgency as words, and no view can part them"
_TOLD = "of a Communication no view is made; its elements and the extension telling hold it"
_LINES = {"tells": _TELLS, "tellings": _TOLD}


def write_view_columns(folder: Path, catalogue: Catalogue) -> None:
    """``columns.csv`` beside the views: table, column, view, and why it is not there."""
    with (folder / "columns.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(("table", "column", "view", "why_not"))
        writer.writerows(view_columns(catalogue))


def view_columns(catalogue: Catalogue) -> Iterator[tuple[str, str, str, str]]:
    """Every column of every table: its table, its name, the view that has it or the reason why none does."""
    made = views(catalogue)
    for table, view in VIEW_OF.items():
        held = {column["name"] for part in made[view]["select"] for column in part["column"]} if view else set()
        for column in TABLES[table].columns(catalogue):
            if column.name in held:
                yield table, column.name, view, ""
            else:
                yield table, column.name, "", _why(table, column.name, bool(column.item))


def _why(table: str, name: str, of_an_item: bool) -> str:
    if table in _LINES:
        return _LINES[table]
    if table == "exams" and of_an_item:
        return _PIVOT
    return _WHY[table].get(name, _TOTALS)
