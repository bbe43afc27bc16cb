"""The Composition of a document: who, when, how far it stands, its sections (FHIR R4 Composition, section 2.42)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from adapter.catalogue.codings import codings
from adapter.derive.view import ExamView
from adapter.document import Block, Paragraph, Tone, narrative, say
from adapter.exam import Status
from adapter.fhir import Resource
from adapter.fhir.identity import Identity, by_full_url
from adapter.fhir.json import Json
from adapter.fhir.observation import instant
from adapter.fhir.people import examiner_reference, organisation_reference, period
from adapter.fhir.report import caution
from adapter.write import account as tell

HISTORY_AND_PHYSICAL = {"system": "http://loinc.org", "code": "34117-2", "display": "History and physical note"}
EMPTY = "http://terminology.hl7.org/CodeSystem/list-empty-reason"


def composition(view: ExamView, identity: Identity, resources: Sequence[Resource]) -> Json:
    """The Composition over the resources of the exam; its id and identifier are those of every version."""
    exam, catalogue = view.exam, view.catalogue
    details, kind = exam.details, catalogue.kinds[exam.details.kind]
    names = {resource.name for resource in resources}
    encounter = identity.encounter(details.encounter)
    found: Json = {
        "resourceType": "Composition",
        "id": identity.composition().uuid,
        "language": catalogue.language,
        "text": _text(_opening(view), view),
        "identifier": identity.composition().identifier,
        "status": details.status.value,
        "type": {
            "coding": [HISTORY_AND_PHYSICAL, codings(catalogue).own("kind", kind.id, kind.label)],
            "text": kind.label,
        },
        "subject": by_full_url(identity.patient()),
    }
    if encounter in names:
        found["encounter"] = by_full_url(encounter)
    found["date"] = instant(details.ended or details.started)
    found["author"] = [examiner_reference(e, identity, by_full_url) for e in details.examiners]
    found["title"] = kind.label
    attesters = _attesters(view, identity)
    if attesters:
        found["attester"] = attesters
    owner = organisation_reference(identity, by_full_url, catalogue)
    if owner is not None:
        found["custodian"] = owner
    if details.amends is not None:
        replaced = identity.document(details.amends).identifier
        found["relatesTo"] = [{"code": "replaces", "targetIdentifier": replaced}]
    found["event"] = [{"period": period(exam), "detail": [by_full_url(identity.report())]}]
    found["section"] = [*_sections(view, identity, resources)]
    return found


def _attesters(view: ExamView, identity: Identity) -> list[Json]:
    """The examiners whom the record identifies stand for it professionally, unless it is in error.

    A name alone is no one who could be asked.
    """
    details = view.exam.details
    if details.status is Status.ENTERED_IN_ERROR:
        return []
    at = {"time": instant(details.ended)} if details.ended else {}
    return [
        {"mode": "professional", **at, "party": examiner_reference(examiner, identity, by_full_url)}
        for examiner in details.examiners
        if examiner.identifier is not None
    ]


def _opening(view: ExamView) -> list[Block]:
    return [
        *tell.standing(view),
        tell.about_newborn(view),
        tell.about_exam(view),
        Paragraph(say(view.catalogue.words.say("sentence", words=view.counts)), Tone.STRONG),
        Paragraph(say(caution(view.catalogue))),
        *([Paragraph(say(remark), Tone.STRONG)] if (remark := view.catalogue.words.remark()) else []),
    ]


def _sections(view: ExamView, identity: Identity, resources: Sequence[Resource]) -> Iterable[Json]:
    """What must be told first, then what changed, was found, was not examined, is not recorded; the people last."""
    words = view.catalogue.words
    of_type = {one: [r for r in resources if r.name.resource_type == one] for one in _LISTED}
    told = [*of_type["CommunicationRequest"], *of_type["Communication"]]
    yield _section("tell", tell.tell_notices(view), view, told)
    changed = tell.comparison(view)
    if changed:
        yield _section("changes", changed, view)
    regions = list(_regions(view, identity, of_type["Observation"]))
    opening = words.say("report.by_region" if regions else "report.no_finding")
    findings = _section("findings", [Paragraph(say(opening))], view, of_type["DiagnosticReport"])
    yield {**findings, **({"section": regions} if regions else {})}
    skipped = [one for one in of_type["Observation"] if _item(one, view) and "dataAbsentReason" in one.content]
    yield _section("not-examined", tell.not_examined(view), view, skipped)
    if view.not_recorded:
        # "The information is not available" (R4 list-empty-reason): whether it was looked at, nobody knows.
        reason = {"coding": [{"system": EMPTY, "code": "unavailable", "display": "Unavailable"}]}
        yield {**_section("not-recorded", tell.not_recorded(view), view), "emptyReason": reason}
    people = [*tell.about_mother(view)] or [Paragraph(say(words.say("report.mother_not_named")))]
    who = [tell.about_newborn(view), *people]
    yield _section("who", who, view, [*of_type["Patient"], *of_type["RelatedPerson"]])


_LISTED = ("Communication", "CommunicationRequest", "DiagnosticReport", "Observation", "Patient", "RelatedPerson")


def _section(section_id: str, blocks: Sequence[Block], view: ExamView, entries: Sequence[Resource] = ()) -> Json:
    section = view.catalogue.sections[section_id]
    made = codings(view.catalogue)
    code = [*made.published(section.codes), made.own("section", section.id, section.label)]
    return _made(section.label, code, blocks, view, entries)


def _made(title: str, code: list[Json], blocks: Sequence[Block], view: ExamView, entries: Sequence[Resource]) -> Json:
    found: Json = {"title": title, "code": {"coding": code, "text": title}, "text": _text(blocks, view)}
    if entries:
        found["entry"] = [by_full_url(entry.name) for entry in entries]
    return found


def _regions(view: ExamView, identity: Identity, observations: Sequence[Resource]) -> Iterable[Json]:
    """A section for each region that the record speaks of: its panel and what stands in none, or its findings."""
    made, catalogue = codings(view.catalogue), view.catalogue
    for region in catalogue.regions.values():
        panel = identity.panel(region.region)
        own = [one for one in observations if _region(one, view) == region.region]
        if not own:
            continue
        panels = [one for one in observations if one.name == panel]
        codes = region.section_codes or region.codes
        code = [*made.published(codes), made.own("region", region.region, region.label)]
        nothing = [Paragraph(say(catalogue.words.say("report.none_of_region")))]
        blocks = tell.region_table(view, region.region) or nothing
        alone = [one for one in own if (of := _item(one, view)) and not catalogue.in_panel(catalogue.items[of])]
        yield _made(region.label, code, blocks, view, [*panels, *alone] if panels else own)


def _item(resource: Resource, view: ExamView) -> str | None:
    """The catalogue's item that an Observation answers; None for a panel or a sign of a score."""
    system = view.catalogue.uri("item")
    codes = resource.content["code"]["coding"]
    return next((coding["code"] for coding in codes if coding.get("system") == system), None)


def _region(resource: Resource, view: ExamView) -> str | None:
    return view.catalogue.region_of.get(_item(resource, view) or "")


def _text(blocks: Iterable[Block], view: ExamView) -> Json:
    return {"status": "generated", "div": narrative(blocks, view.catalogue.language)}
