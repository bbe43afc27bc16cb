"""Whom an exam names, on the server: the newborn compared, the others looked up where a hospital makes them itself.

What may not be made is no entry of what is sent: it is referred to where it is, or by its identifier alone. A server
does not say in its CapabilityStatement whether it knows conditional references (R4 http.html 3.1.0.11.2), so that
they are not sent: the ids are looked up, all in one request where it takes several.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from adapter.catalogue.settings import Presence
from adapter.fhir.json import Json
from adapter.fhir.persons import logical_of
from adapter.problems import Problem
from adapter.send.failures import Held, problem
from adapter.send.rest.asking import Asking, Question
from adapter.send.rest.capability import Mode
from adapter.send.rest.client import FhirClient
from adapter.send.rest.newborn import (
    Known,
    Wanted,
    mother_question,
    newborn_question,
    newborn_there,
    subject_id,
)
from adapter.send.rest.transaction import Transaction

_NotMade = dict[str, tuple[Presence, Json]]

RULE = "person-unknown"
_CALLED = {
    "RelatedPerson": ("the mother", "mother"),
    "Practitioner": ("examiner", "examiners"),
    "Encounter": ("the ward's Encounter", "encounter"),
    "Organization": ("the organisation", "organisation"),
    "Device": ("this software (Device)", "device"),
}
_NEEDED = frozenset({"RelatedPerson", "Encounter"})
"""Without whom an exam is held; for the others an identifier is enough."""


@dataclass(frozen=True, slots=True)
class Standing:
    """The newborn on the server; the exam as it is to be sent, without whom it may not make; what is to be said;
    whether Observations of it were seen there."""

    newborn: Known
    transaction: Transaction
    remarks: tuple[str, ...]
    begun: bool = False


def persons_there(
    client: FhirClient,
    transaction: Transaction,
    reports: Sequence[Json],
    wanted: Wanted,
    *,
    asks_in: Mode | None = None,
    begun: bool = False,
) -> Standing:
    """Everybody of an exam on the server; ``reports`` are those of the exam that are there.

    ``asks_in``: the Bundle in which the server takes several searches; with them, where ``begun`` asks for it, it is
    also asked whether Observations of the exam are there. Raises :class:`~adapter.send.failures.Held` as
    :func:`newborn_there` does, and with each person that must be known and is not, or is there several times.
    """
    wanted = wanted.over(transaction.persons)
    not_made = transaction.not_made(wanted.persons)
    asking = Asking(client, asks_in)
    whether = ("Observation", transaction.observations) if begun and transaction.observations else None
    asking.ask([*_questions(transaction, not_made, wanted)], whether)
    newborn = newborn_there(client, transaction, reports, wanted, asking)
    references: dict[str, Json] = {}
    remarks, missing = list(newborn.remarks), list[Problem]()
    for full_url, (what, resource) in not_made.items():
        kind = resource["resourceType"]
        if kind == "Patient":
            continue
        references[full_url] = logical_of(resource)
        found = _found(asking, resource, newborn) if what == "known" else []
        if len(found) == 1:
            references[full_url] = {"reference": f"{kind}/{found[0]['id']}", **_named(resource)}
        elif what == "known":
            who, setting = _called(full_url, not_made)
            count = f"is there {len(found)} times" if found else "is not on the server"
            if kind in _NEEDED and transaction.rank < 2:
                missing.append(_missing(who, setting, count, doubled=bool(found)))
            else:
                remarks.append(f"{who} {count}: referred to by the identifier alone")
    if missing:
        raise Held(missing)
    if newborn.patient is not None and not wanted.made:
        patient = transaction.full_urls[transaction.names.index("Patient")]
        references[patient] = {"reference": f"Patient/{newborn.patient['id']}"}
    return Standing(newborn, transaction.referring(references), tuple(remarks), asking.any_there)


def _questions(transaction: Transaction, not_made: _NotMade, wanted: Wanted) -> Iterator[Question]:
    """All that will be asked of identifiers, the newborn's first."""
    resources = transaction.resources()
    yield newborn_question(resources)
    if wanted.made:
        yield from (mother_question(one) for one in resources if one["resourceType"] == "Patient")
    yield from (("Encounter", (token,)) for token in transaction.ward_encounters)
    for what, resource in not_made.values():
        if what == "known" and resource["resourceType"] not in ("Patient", "Encounter"):
            yield _question(resource)


def _question(resource: Json) -> Question:
    return resource["resourceType"], tuple((one["system"], one["value"]) for one in resource["identifier"])


def _found(asking: Asking, resource: Json, newborn: Known) -> list[Json]:
    """Who carries an identifier of the person; a mother of this newborn, an Encounter that is not an error."""
    found = asking.of(*_question(resource))
    if resource["resourceType"] == "RelatedPerson":
        return [one for one in found if subject_id(one, "patient") in newborn.ids]
    if resource["resourceType"] == "Encounter":
        return [one for one in found if one.get("status") != "entered-in-error"]
    return found


def _named(resource: Json) -> Json:
    return {key: value for key, value in logical_of(resource).items() if key != "display"}


def _called(full_url: str, not_made: _NotMade) -> tuple[str, str]:
    """What a person is called, of several examiners which of them; and the setting."""
    kind = not_made[full_url][1]["resourceType"]
    who, setting = _CALLED[kind]
    if kind == "Practitioner":
        alike = [url for url, (_, one) in not_made.items() if one["resourceType"] == kind]
        who = f"{who} {alike.index(full_url) + 1} of {len(alike)}" if len(alike) > 1 else f"the {who}"
    return who, setting


def _missing(who: str, setting: str, count: str, *, doubled: bool) -> Problem:
    if doubled:
        return problem(RULE, f"{who} {count}", "one record of that identifier; a person must mend that")
    remedy = f"the identifier as the hospital has it; or {setting}: made, or identifier, under persons"
    return problem(RULE, f"{who} that the exam names {count}, and none is made", f"{remedy} in the target file")
