"""What holds an exam's Observations together: a panel a region, the DiagnosticReport, the Provenance."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.derive import (
    SeriesLine,
    Tell,
    age_in_words,
    other_in_words,
    standing_in_words,
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
_CAUTION = (
    "Findings as recorded: a list for a licensed person, not a diagnosis. Local policy and licensed practitioners "
    "decide; ranges and rules are this site's. Not examined and not recorded are not normal."
)


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


_WORDS = {
    Urgency.TELL_NOW: "Tell now",
    Urgency.TELL_SOON: "Tell this shift",
    Urgency.TELL: "Tell",
    Urgency.NONE: "Still to do",
}


def line_in_words(tell: Tell) -> str:
    """One line of the tell list with what it stands for, the reason, the rule and the source."""
    because = f" ({'; '.join(tell.because)})" if tell.because else ""
    return f"{tell.words}{because}. Why: {tell.reason} [{tell.rule}; {tell.source}]"


def with_standing(one: SeriesLine) -> str:
    """The same, after how it stands to the earlier exams, where there are any."""
    standing = standing_in_words(one)
    return f"{standing[0].upper()}{standing[1:]}: {line_in_words(one.line)}" if standing else line_in_words(one.line)


def caution(catalogue: Catalogue) -> str:
    """Whose policy is in force, and what such a list is not."""
    policy = catalogue.settings.policy
    return f"Policy: {policy.name} ({policy.date}). {_CAUTION}"


def conclusion(view: ExamView) -> str:
    """Counts first, then each line to tell, and what was not judged; an empty list never reads as "all normal"."""
    exam = view.exam
    lines = counts(exam, view.lines, len(view.not_recorded))
    for one in view.lines:
        known = "".join(f" [{told_in_words(told, one.line, exam, view.catalogue)}]" for told in one.told)
        urgency = "" if one.resolved else f"{_WORDS[one.line.urgency]}: "
        lines.append(f"{urgency}{with_standing(one)}{known}")
    others = () if view.retracted else view.told.others
    lines += [f"Not on the list: {other_in_words(one, exam, view.catalogue)}" for one in others]
    lines += not_judged_lines(view.findings)
    lines.append(caution(view.catalogue))
    if exam.details.status is Status.ENTERED_IN_ERROR:
        lines.insert(0, "Entered in error.")
    return "\n".join(lines)


def not_judged_lines(pool: Sequence[FindingView]) -> list[str]:
    """What was examined and nothing judged: a line a reason."""
    return [f"Not judged ({reason}): {'; '.join(one.words for one in ones)}." for reason, ones in unjudged(pool)]


def with_contained(report: Json, contained: Json) -> Json:
    """The report with its Provenance inside it (FHIR R4 DomainResource, dom-3: it refers to what contains it)."""
    inner = {"resourceType": "Provenance", "id": "provenance", **contained, "target": [{"reference": "#"}]}
    return {"resourceType": report["resourceType"], "contained": [inner], **report}


def counts(exam: Exam, lines: Sequence[SeriesLine], missing: int) -> list[str]:
    """How much was examined and how old the infant is; and that nothing is to be told, where it is so."""
    skipped = sum(finding.__dict__["not_examined"] is not None for finding in exam.findings)
    known = f"{len(exam.findings) - skipped} findings recorded, {skipped} not examined, {missing} not recorded"
    nothing = "Nothing among what was examined is marked to be told."
    told = [] if any(one.line.urgency is not Urgency.NONE and not one.resolved for one in lines) else [nothing]
    return [f"{known}; {age_in_words(exam)}.", *told]


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
