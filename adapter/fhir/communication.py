"""Who was told of a line of the tell list, as Communication (FHIR R4).

One for each telling, ``basedOn`` the CommunicationRequest of the line's urgency, with the findings that the line
rests on as ``reasonReference`` and the line as it stands now as ``reasonCode``. ``payload`` are the words that were
said, where they were recorded. R4 has no element for what binds it to a line, for read-back and for the roles of the
two people: they stand in one extension, read-back in a note as well.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from adapter import SOFTWARE
from adapter.derive.series import line_in_words
from adapter.exam import Exam, Examiner, Status, Telling
from adapter.fhir.communication_request import category_of, priority_of, request_of
from adapter.fhir.identity import Name
from adapter.fhir.json import Json
from adapter.fhir.observation import ExamMapping, instant
from adapter.fhir.people import examiner_reference
from adapter.fhir.report import role_concept

TELLING = "StructureDefinition/telling"
"""The extension: ``line``, ``read-back``, ``recipient-role``, ``sender-role``."""


def told_people(exam: Exam) -> Iterator[Examiner]:
    """Everybody who was told or told others."""
    for telling in exam.told:
        yield telling.to
        if telling.by is not None:
            yield telling.by


def communications(links: Sequence[Json], mapping: ExamMapping) -> Iterator[tuple[Name, Json]]:
    """The tellings of one exam in the order of time; ``links`` are references to its findings, captured ones first.

    Of a retracted exam they are entered in error. One of a line that the list has not is based on no request.
    """
    view = mapping.view
    number_of = {id(one): n for n, tellings in enumerate(view.told.lines) for one in tellings}
    for telling in mapping.exam.told:
        name = mapping.identity.telling(telling.line)
        yield name, _communication(name, telling, number_of.get(id(telling)), links, mapping)


def _communication(
    name: Name, telling: Telling, number: int | None, links: Sequence[Json], mapping: ExamMapping
) -> Json:
    references, refer, identity = mapping.references, mapping.refer, mapping.identity
    tell = None if number is None else mapping.view.notifications[number]
    retracted = mapping.exam.details.status is Status.ENTERED_IN_ERROR
    resource: Json = {
        "resourceType": "Communication",
        "extension": [_extension(telling, mapping)],
        "identifier": [name.identifier],
    }
    if tell is not None and mapping.catalogue.settings.emit.tell:
        resource["basedOn"] = [refer(request_of(tell.urgency, mapping))]
    resource["status"] = "entered-in-error" if retracted else "completed"
    if tell is not None:
        resource["category"] = category_of(tell.urgency)
        resource["priority"] = priority_of(tell.urgency)
    resource["subject"] = references.subject
    resource["about"] = [refer(identity.report())]
    resource["encounter"] = references.encounter
    resource["sent"] = instant(telling.at)
    resource["recipient"] = [examiner_reference(telling.to, identity, refer)]
    if telling.by is not None:
        resource["sender"] = examiner_reference(telling.by, identity, refer)
    if tell is not None:
        resource["reasonCode"] = [{"text": line_in_words(tell, mapping.catalogue.words)}]
        if tell.rests_on:
            resource["reasonReference"] = [links[index] for index in dict.fromkeys(tell.rests_on)]
    if telling.words is not None:
        resource["payload"] = [{"contentString": telling.words}]
    if telling.read_back is not None:
        back = mapping.catalogue.words.say("told.read_back" if telling.read_back else "told.not_read_back")
        resource["note"] = [{"authorString": SOFTWARE, "text": back}]
    return resource


def _extension(telling: Telling, mapping: ExamMapping) -> Json:
    parts: list[Json] = [{"url": "line", "valueString": telling.line}]
    if telling.read_back is not None:
        parts.append({"url": "read-back", "valueBoolean": telling.read_back})
    parts.append({"url": "recipient-role", "valueCodeableConcept": role_concept(telling.to.role, mapping)})
    if telling.by is not None:
        parts.append({"url": "sender-role", "valueCodeableConcept": role_concept(telling.by.role, mapping)})
    return {"url": f"{mapping.catalogue.settings.canonical}/{TELLING}", "extension": parts}
