"""Exams as GA4GH Phenopackets: schema 2.0, one Phenopacket an exam, its features in terms of the HPO.

A feature is what the examiner found and what has an HPO term that says as much or less. ``excluded`` stands only
where an answer says that this very finding was not seen (``mappings/phenopackets/terms.yaml``): never for what was
not examined, not recorded, or answered as a list. Nobody records when a finding began, so its onset is the range from
birth to the hour of life at which it was seen (TimeElement, ``ageRange``). What software computed is left out.

Source: GA4GH Phenopacket Schema 2.0 (phenopacket-schema.readthedocs.io): Phenopacket, Individual, PhenotypicFeature,
TimeElement, MetaData, Resource.
"""

from __future__ import annotations

from datetime import UTC, datetime
from functools import lru_cache

from adapter import SOFTWARE_VERSION
from adapter.catalogue import Catalogue, Item
from adapter.catalogue.code import Code
from adapter.catalogue.files import mappings
from adapter.catalogue.strict_yaml import read_yaml
from adapter.derive import age_hours, made_at
from adapter.exam import Sex
from adapter.fhir.json import Json
from adapter.write.tables import TabledExam

SCHEMA = "2.0"
_SEX = {Sex.FEMALE: "FEMALE", Sex.MALE: "MALE", Sex.OTHER: "OTHER_SEX", Sex.UNKNOWN: "UNKNOWN_SEX"}
_SAYS_NO_MORE = ("equal", "equivalent", "wider")


def phenopacket(tabled: TabledExam) -> Json:
    """The Phenopacket of one exam, without the time at which it was made (see :func:`with_metadata`)."""
    exam = tabled.exam
    subject: Json = {"id": tabled.newborn_id}
    if tabled.dated:
        subject["dateOfBirth"] = _timestamp(exam.newborn.birth_time)
    subject["timeAtLastEncounter"] = {"age": _age(tabled, exam.details.started)}
    subject["sex"] = _SEX[exam.newborn.sex]
    return {"id": tabled.identity.report().uuid, "subject": subject, "phenotypicFeatures": _features(tabled)}


def with_metadata(packet: Json, catalogue: Catalogue, made: datetime) -> Json:
    """The Phenopacket as it is handed on, made at this moment."""
    hpo = {
        "id": "hp",
        "name": "human phenotype ontology",
        "url": "http://purl.obolibrary.org/obo/hp.owl",
        "version": catalogue.systems["hpo"].version or "",
        "namespacePrefix": "HP",
        "iriPrefix": "http://purl.obolibrary.org/obo/HP_",
    }
    about = {"created": _timestamp(made), "createdBy": SOFTWARE_VERSION, "resources": [hpo]}
    return {**packet, "metaData": {**about, "phenopacketSchemaVersion": SCHEMA}}


@lru_cache(maxsize=1)
def _more() -> Json:
    """The content of ``mappings/phenopackets/terms.yaml``."""
    content, problems = read_yaml(mappings() / "phenopackets" / "terms.yaml", "terms.yaml")
    if problems or not isinstance(content, dict):
        raise ValueError("; ".join(map(str, problems)))
    return content


def excluded_by(item: Item, answer: str) -> Code | None:
    """The term of which an answer says that it was not seen; that of another answer of the item."""
    wanted = _more()["excluded"].get(item.id, {}).get(answer)
    codes = (code for other in item.answers if other.id != answer for code in other.codes)
    return next((code for code in codes if code.system == "hpo" and code.code == wanted), None)


def _features(tabled: TabledExam) -> list[Json]:
    given: dict[str, set[str]] = {}
    for one in tabled.findings:
        if one.computed is None and one.finding.answer is not None:
            given.setdefault(one.item.id, set()).add(one.finding.answer)
    found: list[Json] = []
    for one in tabled.findings:
        answer = one.finding.answer
        if one.computed is not None or answer is None:
            continue
        side = one.finding.side
        more: Json = {"modifiers": [_more()["sides"][side.value]]} if side else {}
        seen = _age(tabled, made_at(one.finding, one.item, tabled.exam))
        onset = {"ageRange": {"start": {"iso8601duration": "P0D"}, "end": seen}}
        for code in _terms(one.item, answer, tabled.catalogue):
            feature = {"type": _class(code), **more, "onset": onset}
            if feature not in found:
                found.append(feature)
        absent = excluded_by(one.item, answer)
        if absent is not None and given[one.item.id] == {answer}:  # nothing else was seen of it at another time
            feature = {"type": _class(absent), "excluded": True, **more}
            if feature not in found:
                found.append(feature)
    return found


def _terms(item: Item, answer_id: str, catalogue: Catalogue) -> list[Code]:
    answer = item.answer(answer_id)
    codes = answer.codes if answer else ()
    return [code for code in codes if code.system == "hpo" and code.fit in _SAYS_NO_MORE and catalogue.maps(code)]


def _class(code: Code) -> Json:
    return {"id": code.code, "label": code.display or ""}


def _age(tabled: TabledExam, moment: datetime) -> Json:
    """Hours and minutes of life (ISO 8601); what was before birth stands at birth."""
    minutes = max(int(age_hours(tabled.exam, moment) * 60), 0)
    hours, rest = divmod(minutes, 60)
    return {"iso8601duration": f"PT{hours}H{rest}M" if rest else f"PT{hours}H"}


def _timestamp(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")
