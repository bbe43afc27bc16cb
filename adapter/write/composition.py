"""The Composition of a document: who, when, how far it stands, its sections (FHIR R4 Composition, section 2.42)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from adapter.catalogue.codings import codings
from adapter.document import Block, Paragraph, Tone, narrative, say
from adapter.exam import Status
from adapter.fhir import Resource
from adapter.fhir.identity import Identity, by_full_url
from adapter.fhir.json import Json
from adapter.fhir.observation import instant
from adapter.fhir.people import examiner_reference, organisation_reference, period
from adapter.fhir.report import caution
from adapter.write import account as tell
from adapter.write.account import Account

HISTORY_AND_PHYSICAL = {"system": "http://loinc.org", "code": "34117-2", "display": "History and physical note"}
EMPTY = "http://terminology.hl7.org/CodeSystem/list-empty-reason"


def composition(account: Account, identity: Identity, resources: Sequence[Resource]) -> Json:
    """The Composition over the resources of the exam; its id and identifier are those of every version."""
    exam, catalogue = account.exam, account.catalogue
    details, kind = exam.details, catalogue.kinds[exam.details.kind]
    names = {resource.name for resource in resources}
    encounter = identity.encounter(details.encounter)
    found: Json = {
        "resourceType": "Composition",
        "id": identity.composition().uuid,
        "language": catalogue.language,
        "text": _text(_opening(account), account),
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
    attesters = _attesters(account, identity)
    if attesters:
        found["attester"] = attesters
    owner = organisation_reference(identity, by_full_url, catalogue)
    if owner is not None:
        found["custodian"] = owner
    if details.amends is not None:
        replaced = identity.document(details.amends).identifier
        found["relatesTo"] = [{"code": "replaces", "targetIdentifier": replaced}]
    found["event"] = [{"period": period(exam), "detail": [by_full_url(identity.report())]}]
    found["section"] = [*_sections(account, identity, resources)]
    return found


def _attesters(account: Account, identity: Identity) -> list[Json]:
    """The examiners whom the record identifies stand for it professionally, unless it is in error.

    A name alone is no one who could be asked.
    """
    details = account.exam.details
    if details.status is Status.ENTERED_IN_ERROR:
        return []
    at = {"time": instant(details.ended)} if details.ended else {}
    return [
        {"mode": "professional", **at, "party": examiner_reference(examiner, identity, by_full_url)}
        for examiner in details.examiners
        if examiner.identifier is not None
    ]


def _opening(account: Account) -> list[Block]:
    return [
        *tell.standing(account),
        tell.about_newborn(account),
        tell.about_exam(account),
        Paragraph(say(f"{account.counts}."), Tone.STRONG),
        Paragraph(say(caution(account.catalogue))),
    ]


def _sections(account: Account, identity: Identity, resources: Sequence[Resource]) -> Iterable[Json]:
    """What must be told first, then what changed, was found, was not examined, is not recorded; the people last."""
    of_type = {one: [r for r in resources if r.name.resource_type == one] for one in _LISTED}
    told = [*of_type["CommunicationRequest"], *of_type["Communication"]]
    yield _section("tell", tell.tell_notices(account), account, told)
    changed = tell.comparison(account)
    if changed:
        yield _section("changes", changed, account)
    regions = list(_regions(account, identity, of_type["Observation"]))
    opening = "By region, in the order of the exam." if regions else "No finding is recorded."
    findings = _section("findings", [Paragraph(say(opening))], account, of_type["DiagnosticReport"])
    yield {**findings, **({"section": regions} if regions else {})}
    skipped = [one for one in of_type["Observation"] if _item(one, account) and "dataAbsentReason" in one.content]
    yield _section("not-examined", tell.not_examined(account), account, skipped)
    if account.gaps:
        # "The information is not available" (R4 list-empty-reason): whether it was looked at, nobody knows.
        reason = {"coding": [{"system": EMPTY, "code": "unavailable", "display": "Unavailable"}]}
        yield {**_section("not-recorded", tell.not_recorded(account), account), "emptyReason": reason}
    people = [*tell.about_mother(account)] or [Paragraph(say("The record does not name the mother."))]
    who = [tell.about_newborn(account), *people]
    yield _section("who", who, account, [*of_type["Patient"], *of_type["RelatedPerson"]])


_LISTED = ("Communication", "CommunicationRequest", "DiagnosticReport", "Observation", "Patient", "RelatedPerson")


def _section(section_id: str, blocks: Sequence[Block], account: Account, entries: Sequence[Resource] = ()) -> Json:
    section = account.catalogue.sections[section_id]
    made = codings(account.catalogue)
    code = [*made.published(section.codes), made.own("section", section.id, section.label)]
    return _made(section.label, code, blocks, account, entries)


def _made(
    title: str, code: list[Json], blocks: Sequence[Block], account: Account, entries: Sequence[Resource]
) -> Json:
    found: Json = {"title": title, "code": {"coding": code, "text": title}, "text": _text(blocks, account)}
    if entries:
        found["entry"] = [by_full_url(entry.name) for entry in entries]
    return found


def _regions(account: Account, identity: Identity, observations: Sequence[Resource]) -> Iterable[Json]:
    """A section for each region that the record speaks of: its panel and what stands in none, or its findings."""
    made, catalogue = codings(account.catalogue), account.catalogue
    for region in catalogue.regions.values():
        panel = identity.panel(region.region)
        own = [one for one in observations if _region(one, account) == region.region]
        if not own:
            continue
        panels = [one for one in observations if one.name == panel]
        codes = region.section_codes or region.codes
        code = [*made.published(codes), made.own("region", region.region, region.label)]
        nothing = [Paragraph(say("Nothing of it was examined; see what was not examined, and why."))]
        blocks = tell.region_table(account, region.region) or nothing
        alone = [one for one in own if (of := _item(one, account)) and not catalogue.in_panel(catalogue.items[of])]
        yield _made(region.label, code, blocks, account, [*panels, *alone] if panels else own)


def _item(resource: Resource, account: Account) -> str | None:
    """The catalogue's item that an Observation answers; None for a panel or a sign of a score."""
    system = account.catalogue.uri("item")
    codes = resource.content["code"]["coding"]
    return next((coding["code"] for coding in codes if coding.get("system") == system), None)


def _region(resource: Resource, account: Account) -> str | None:
    return account.catalogue.region_of.get(_item(resource, account) or "")


def _text(blocks: Iterable[Block], account: Account) -> Json:
    return {"status": "generated", "div": narrative(blocks, account.catalogue.language)}
