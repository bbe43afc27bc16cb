"""A small made-up edition of LOINC and SNOMED CT: what the shipped catalogue may send, as a server could hold it.

Codes and names are those of ``codes.csv``; all else is invented: the versions, the states, and the faults, of which
there is one of each kind. It says nothing about any real release.
"""

from __future__ import annotations

from typing import Any

from adapter.catalogue import Catalogue
from adapter.catalogue.uses import Use, uses

Json = dict[str, Any]
LOINC, SNOMED = "http://loinc.org", "http://snomed.info/sct"
LOINC_VERSION = "0.0-invented"
SNOMED_VERSION = "http://snomed.info/sct/900000000000207008/version/19000101"
FULL_NAME = {"system": SNOMED, "code": "900000000000003001", "display": "Fully specified name"}

INACTIVE, REPLACEMENT = "23141003", "271825005"  # gasping, in this edition replaced by respiratory distress
RENAMED = "80281008"  # cleft lip, called something else here
MISPLACED = "48348007"  # normal breath sounds, a body structure here
MISSING = "249377004"  # sucking calluses, not in this edition
DEPRECATED, MAPPED_TO = "67704-7", "8867-4"  # feeding types, in this edition replaced by nonsense
DISCOURAGED, ON_TRIAL = "29463-7", "9279-1"  # body weight, respiratory rate; in this edition
WRONG_SCALE = "8884-9"  # heart rate rhythm, a number here
WRONG_PROPERTY = "8310-5"  # body temperature, a length here
NOT_IN_LIST = "LA10393-9"  # refer, missing from the answers of its question
LIST = "LL0000-0"

_PROPERTIES = {
    "length": "Len", "mass": "Mass", "temperature": "Temp", "pressure": "Pres", "frequency": "NRat", "time": "Time",
    "mass-concentration": "MCnc", "substance-concentration": "SCnc", "fraction": "SFr", "count": "Num",
}  # fmt: skip


def edition(catalogue: Catalogue) -> list[Json]:
    """The resources of the edition."""
    held: dict[str, dict[str, Json]] = {"loinc": {}, "snomed": {}, "hpo": {}}
    for use in uses(catalogue):
        if use.system in held and use.code != MISSING:
            held[use.system].setdefault(use.code, _concept(use, catalogue))
    snomed = held["snomed"]
    snomed[INACTIVE]["property"][0] = {"code": "inactive", "valueBoolean": True}
    snomed[RENAMED] = _snomed(RENAMED, "Cleft of lip, invented name", "disorder")
    snomed[MISPLACED] = _snomed(MISPLACED, "Normal breath sounds", "body structure")
    snomed["404684003"] = _snomed("404684003", "Clinical finding", "finding")
    snomed[REPLACEMENT] = _snomed(REPLACEMENT, "Respiratory distress", "finding", "404684003")
    return [
        _system("loinc", LOINC, LOINC_VERSION, held["loinc"]),
        _system("snomed", SNOMED, SNOMED_VERSION, snomed),
        {"resourceType": "CodeSystem", "url": "http://unitsofmeasure.org", "name": "ucum", "status": "active",
         "content": "fragment", "concept": [{"code": use.code} for use in uses(catalogue) if use.system == "ucum"]},
        {"resourceType": "ValueSet", "url": f"{LOINC}/vs/{LIST}", "status": "active",
         "compose": {"include": [{"system": LOINC, "concept": [{"code": "LA10392-1"}]}]}},
        {"resourceType": "ConceptMap", "url": f"{SNOMED}?fhir_cm=900000000000526001", "status": "active", "group": [
            {"source": SNOMED, "target": SNOMED, "element": [
                {"code": INACTIVE, "target": [{"code": REPLACEMENT, "equivalence": "equivalent",
                                               "display": "Respiratory distress"}]}]}]},
    ]  # fmt: skip


def _system(name: str, url: str, version: str, concepts: dict[str, Json]) -> Json:
    return {
        "resourceType": "CodeSystem", "url": url, "name": name, "version": version, "status": "active",
        "content": "fragment", "concept": list(concepts.values()),
    }  # fmt: skip


def _concept(use: Use, catalogue: Catalogue) -> Json:
    row = catalogue.verified[use.system, use.code]
    name = row.display or f"Name that the project has not seen, {use.code}"
    return _snomed(use.code, name, row.kind) if use.system == "snomed" else _loinc(use, name)


def _snomed(code: str, name: str, tag: str, parent: str | None = None) -> Json:
    above = [{"code": "parent", "valueCode": parent}] if parent else []
    return {
        "code": code, "display": name,
        "designation": [{"use": FULL_NAME, "value": f"{name} ({tag})"}],
        "property": [{"code": "inactive", "valueBoolean": False}, *above],
    }  # fmt: skip


def _loinc(use: Use, name: str) -> Json:
    scale = min(use.scales) if use.scales else "-"
    kind = _PROPERTIES.get(use.dimension, "Find")
    status = "ACTIVE"
    if use.code == WRONG_SCALE:
        scale = "Qn"
    if use.code == WRONG_PROPERTY:
        kind = "Len"
    more: list[Json] = []
    if use.code == DEPRECATED:
        status, more = "DEPRECATED", [{"code": "MAP_TO", "valueString": MAPPED_TO}]
    status = {DISCOURAGED: "DISCOURAGED", ON_TRIAL: "TRIAL"}.get(use.code, status)
    if use.code == "54108-6":  # the hearing screen of the left ear
        more = [{"code": "answer-list", "valueCoding": {"system": LOINC, "code": LIST}}]
    told = [
        {"code": "STATUS", "valueString": status},
        {"code": "SCALE_TYP", "valueCoding": {"system": LOINC, "code": "LP0-0", "display": scale}},
        {"code": "PROPERTY", "valueCoding": {"system": LOINC, "code": "LP0-1", "display": kind}},
    ]
    return {"code": use.code, "display": name, "property": [*told, *more]}
