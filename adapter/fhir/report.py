"""What holds an exam's Observations together: a panel a region, the DiagnosticReport, the Provenance."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue, Words
from adapter.derive import (
    SeriesLine,
    age_in_words,
    other_in_words,
    section_key,
    told_in_words,
    unjudged,
)
from adapter.derive.finding import FindingView
from adapter.derive.view import ExamView
from adapter.exam import Exam, Status, Urgency
from adapter.fhir.identity import Name
from adapter.fhir.json import Json
from adapter.fhir.observation import ExamMapping, instant
from adapter.fhir.people import device_reference, examiner_reference, organisation_reference, period

SERVICE = "http://terminology.hl7.org/CodeSystem/v2-0074"
SERVICES = {"NRS": "Nursing Service Measures", "PHY": "Physician (Hx. Dx, admission note, etc.)", "OTH": "Other"}
"""Diagnostic service sections (HL7 table 0074) that examine newborns, for DiagnosticReport.category."""
PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"


def panel(region: str, name: Name, members: list[Json], mapping: ExamMapping) -> Json:
    """The Observation of a region: no value of its own, its members in ``hasMember``."""
    parts, references = mapping.parts, mapping.references
    return {
        "resourceType": "Observation",
        **({"language": parts.language} if parts.language else {}),
        "identifier": [{"system": name.system, "value": name.value}],
        "status": mapping.exam.details.status.value,
        "category": parts.category(mapping.catalogue.regions[region].category),
        "code": parts.panel(region),
        "subject": references.subject,
        "encounter": references.encounter,
        "effectiveDateTime": references.started,
        "performer": references.performer,
        "hasMember": members,
    }


def diagnostic_report(results: list[Json], mapping: ExamMapping, presented: Sequence[Json] = ()) -> Json:
    """The exam as a whole; ``conclusion`` is what must be told, after the counts that keep it honest.

    ``results`` are the panels and what stands in none, or the findings themselves where a site has no panels;
    ``presented`` are Attachments that show all of it to people.
    """
    exam, catalogue, references = mapping.exam, mapping.catalogue, mapping.references
    kind = catalogue.kinds[exam.details.kind]
    own_id = {"system": catalogue.identifier_system("exam-version"), "value": exam.details.id}
    resource: Json = {
        "resourceType": "DiagnosticReport",
        "identifier": [mapping.identity.report().identifier, own_id],
        "status": exam.details.status.value,
        "category": [{"coding": [{"system": SERVICE, "code": kind.service, "display": SERVICES[kind.service]}]}],
        "code": {
            "coding": [*mapping.parts.published(kind.codes), mapping.parts.own("kind", kind.id, kind.label)],
            "text": kind.label,
        },
        "subject": references.subject,
        "encounter": references.encounter,
    }
    if exam.details.ended is None:
        resource["effectiveDateTime"] = instant(exam.details.started)
    else:
        resource["effectivePeriod"] = period(exam)
    resource["issued"] = instant(exam.details.made)
    if references.performer:
        resource["performer"] = references.performer
    if results:
        resource["result"] = results
    resource["conclusion"] = conclusion(mapping.view)
    if presented:
        resource["presentedForm"] = list(presented)
    return resource


def caution(catalogue: Catalogue) -> str:
    """Whose policy is in force, and what such a list is not."""
    policy = catalogue.settings.policy
    return catalogue.words.say("caution", policy=policy.name, date=policy.date)


def conclusion(view: ExamView) -> str:
    """Counts first, then each line to tell, and what was not judged; an empty list never reads as "all normal"."""
    exam, catalogue, words = view.exam, view.catalogue, view.catalogue.words
    lines = counts(exam, view.lines, len(view.not_recorded), words)
    for one, line in zip(view.lines, view.lines_in_words, strict=True):
        known = "".join(f" [{told_in_words(told, one.line, exam, catalogue)}]" for told in one.told)
        if not one.resolved:
            line = words.say("is", what=words.say(f"tell.line.{section_key(one.line.urgency)}"), value=line)
        lines.append(line + known)
    others = () if view.retracted else view.told.others
    lines += [words.say("tell.not_on_list", line=other_in_words(one, exam, catalogue)) for one in others]
    lines += not_judged_lines(view.findings, words)
    lines.append(caution(catalogue))
    if exam.details.status is Status.ENTERED_IN_ERROR:
        lines.insert(0, words.say("tell.entered_in_error"))
    return "\n".join(lines)


def not_judged_lines(pool: Sequence[FindingView], words: Words) -> list[str]:
    """What was examined and nothing judged: a line a reason."""
    return [
        words.say("tell.not_judged_line", reason=reason, findings=words.clauses(one.words for one in ones))
        for reason, ones in unjudged(pool)
    ]


def with_contained(report: Json, contained: Json) -> Json:
    """The report with its Provenance inside it (FHIR R4 DomainResource, dom-3: it refers to what contains it)."""
    inner = {"resourceType": "Provenance", "id": "provenance", **contained, "target": [{"reference": "#"}]}
    return {"resourceType": report["resourceType"], "contained": [inner], **report}


def counts(exam: Exam, lines: Sequence[SeriesLine], missing: int, words: Words) -> list[str]:
    """How much was examined and how old the infant is; and that nothing is to be told, where it is so."""
    skipped = sum(finding.__dict__["not_examined"] is not None for finding in exam.findings)
    known = words.say("counts", recorded=len(exam.findings) - skipped, skipped=skipped, missing=missing)
    any_told = any(one.line.urgency is not Urgency.NONE and not one.resolved for one in lines)
    first = words.say("sentence", words=words.clauses((known, age_in_words(exam, words))))
    return [first] if any_told else [first, words.say("tell.nothing_sentence")]


def provenance(targets: list[Json], mapping: ExamMapping) -> Json:
    """Who examined, what assembled it, and from which capture record (FHIR R4 Provenance, section 6.3); the version
    that it corrects too (role ``revision``), where that is not the exam as first recorded; and the exam that was
    recorded on the wrong newborn and is this one (role ``derivation``)."""
    details, catalogue = mapping.exam.details, mapping.catalogue
    identity, refer = mapping.identity, mapping.refer
    resource: Json = {
        "resourceType": "Provenance",
        "target": targets,
        "occurredPeriod": period(mapping.exam),
        "recorded": instant(details.made),
    }
    if details.place is not None:
        resource["location"] = {"display": details.place}
    if details.reason is not None:
        resource["reason"] = [{"text": details.reason}]
    behalf = organisation_reference(identity, refer, catalogue)
    authors = []
    for examiner in details.examiners:
        author = {
            "type": _participant("author", "Author"),
            "role": [role_concept(examiner.role, mapping)],
            "who": examiner_reference(examiner, identity, refer),
        }
        authors.append({**author, "onBehalfOf": behalf} if behalf else author)
    assembler = {
        "type": _participant("assembler", "Assembler"),
        "who": device_reference(identity, refer, catalogue),
    }
    resource["agent"] = [*authors, assembler]
    capture = {"system": catalogue.identifier_system("capture-record"), "value": details.id}
    resource["entity"] = [{"role": "source", "what": {"identifier": capture}}]
    if details.first is not None:
        corrected = {"system": capture["system"], "value": details.amends}
        resource["entity"].append({"role": "revision", "what": {"identifier": corrected}})
    if details.reassigned_from is not None:
        before = {"system": capture["system"], "value": details.reassigned_from}
        resource["entity"].append({"role": "derivation", "what": {"identifier": before}})
    return resource


def role_concept(role_id: str, mapping: ExamMapping) -> Json:
    """The role of a person, the published codings before ours."""
    role = mapping.catalogue.roles[role_id]
    own = mapping.parts.own("role", role.id, role.label)
    return {"coding": [*mapping.parts.published(role.codes), own], "text": role.label}


def _participant(code: str, display: str) -> Json:
    return {"coding": [{"system": PARTICIPANT, "code": code, "display": display}]}
