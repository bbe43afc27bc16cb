"""The tell list as resources that a hospital can route: CommunicationRequest (FHIR R4).

R4 defines CommunicationRequest as "a request to convey information", with the alert to a responsible provider as its
first example: that is what a line of the tell list is. Flag is for prospective warnings to whoever gives care, Task
for work with an owner and its progress; neither is a message to be conveyed.

One request for each urgency, so that it can be routed by ``priority``. Its identifier is that of the exam and the
urgency: sent again it changes nothing, an amended exam updates it, and where an amendment leaves nothing to be told
the request is revoked.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from adapter.derive import SeriesLine
from adapter.exam import Exam, Status, Urgency
from adapter.fhir.identity import Name
from adapter.fhir.json import Json
from adapter.fhir.observation import ExamMapping, instant
from adapter.fhir.people import device_reference
from adapter.fhir.report import caution

CATEGORY = "http://terminology.hl7.org/CodeSystem/communication-category"

# R4 request-priority: stat "immediately", asap "as soon as possible", urgent "promptly", routine "normal priority".
_KINDS = {
    Urgency.TELL_NOW: ("now", "stat", "alert", "Alert"),
    Urgency.TELL_SOON: ("this-shift", "asap", "notification", "Notification"),
    Urgency.TELL: ("next-round", "urgent", "notification", "Notification"),
    Urgency.NONE: ("still-to-do", "routine", "reminder", "Reminder"),
}


def communication_requests(links: Sequence[Json], mapping: ExamMapping) -> Iterator[tuple[Name, Json]]:
    """The requests of one exam; ``links`` are references to its findings, captured ones first.

    A final exam has none for an urgency without lines. One that amends another has all: what the earlier version
    asked for is withdrawn. A retracted exam asks for nothing any more.
    """
    said: dict[Urgency, list[tuple[SeriesLine, str]]] = {urgency: [] for urgency in _KINDS}
    for one in zip(mapping.view.lines, mapping.view.lines_in_words, strict=True):
        said[_asked_as(one[0])].append(one)
    for urgency, (_, priority, _, _) in _KINDS.items():
        chosen = said[urgency]
        if chosen or mapping.exam.details.status is not Status.FINAL:
            name = request_of(urgency, mapping)
            status = _status(mapping.exam, [one for one, _ in chosen])
            yield name, _request(name, chosen, status, priority, category_of(urgency), links, mapping)


def _asked_as(one: SeriesLine) -> Urgency:
    """With what urgency a line is to be conveyed: that something was resolved can wait."""
    return Urgency.NONE if one.resolved else one.line.urgency


def category_of(urgency: Urgency) -> list[Json]:
    """What kind of message a line of this urgency is."""
    _, _, code, display = _KINDS[urgency]
    return [{"coding": [{"system": CATEGORY, "code": code, "display": display}]}]


def priority_of(urgency: Urgency) -> str:
    """R4 request-priority of a line of this urgency."""
    return _KINDS[urgency][1]


def request_of(urgency: Urgency, mapping: ExamMapping) -> Name:
    """The request that asks for the lines of this urgency to be told."""
    return mapping.identity.request(_KINDS[urgency][0])


def _request(
    name: Name,
    said: Sequence[tuple[SeriesLine, str]],
    status: str,
    priority: str,
    category: list[Json],
    links: Sequence[Json],
    mapping: ExamMapping,
) -> Json:
    details, references = mapping.exam.details, mapping.references
    lines = [line for line, _ in said]
    report = mapping.identity.report()
    resource: Json = {
        "resourceType": "CommunicationRequest",
        "identifier": [name.identifier],
        "groupIdentifier": report.identifier,
        "status": status,
    }
    if details.reason is not None and not lines:
        resource["statusReason"] = {"text": details.reason}
    resource["category"] = category
    resource["priority"] = priority
    resource["subject"] = references.subject
    resource["about"] = [mapping.refer(report)]
    resource["encounter"] = references.encounter
    if lines:
        resource["payload"] = [{"contentString": words} for _, words in said]
    resource["authoredOn"] = instant(details.ended or details.started)
    resource["requester"] = device_reference(mapping.identity, mapping.refer, mapping.catalogue)
    rests_on = dict.fromkeys(index for one in lines if not one.past for index in one.line.rests_on)
    exams = dict.fromkeys(exam for one in lines for exam in one.exams)
    if reasons := [*(links[index] for index in rests_on), *mapping.earlier.reports([*exams])]:
        resource["reasonReference"] = reasons
    resource["note"] = [{"text": caution(mapping.catalogue)}]
    return resource


def _status(exam: Exam, lines: Sequence[SeriesLine]) -> str:
    """R4 request-status: what was recorded in error, what is withdrawn, what is to be conveyed, and what was, where
    somebody was told of every line."""
    if exam.details.status is Status.ENTERED_IN_ERROR:
        return "entered-in-error"
    if not lines:
        return "revoked"
    return "completed" if all(one.told for one in lines) else "active"
