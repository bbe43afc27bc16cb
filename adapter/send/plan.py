"""What sending an exam would do on a server, found out without writing; and whether what was sent is there.

Both look everything up (:mod:`adapter.send.survey`) and compare field by field.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum

from adapter.problems import Layer, Problem, Severity
from adapter.send.answers import problem
from adapter.send.client import FhirClient
from adapter.send.delivery import tied
from adapter.send.message import Message
from adapter.send.standing import Superseded, refuse_older
from adapter.send.survey import Holding, held_report, is_retracted, survey


class Step(StrEnum):
    """What would be done with a resource."""

    CREATE = "create"
    UPDATE = "update"
    LEAVE = "leave alone"
    MARK = "mark as entered in error"
    STUCK = "there twice"


@dataclass(frozen=True, slots=True)
class Planned:
    """One exam: a step and what it is called for each entry, then for what would be marked; ``superseded`` names
    the newer version on the server, because of which nothing would be done."""

    exam: str
    steps: tuple[tuple[Step, str], ...] = ()
    superseded: str = ""

    def counts(self) -> Counter[Step]:
        """How many resources of each step."""
        return Counter(step for step, _ in self.steps)


def plan(client: FhirClient, message: Message) -> Planned:
    """What sending would do now. Only reads; raises what the client raises."""
    try:
        refuse_older(client, message, held_report(client, message))
    except Superseded as newer:
        return Planned(message.exam, superseded=str(newer))
    holding = survey(client, message, message.bundle())
    steps = [(_step(holding, number), name) for number, name in enumerate(message.names)]
    marked = [(Step.MARK, _called(extra)) for extra in holding.extra if not is_retracted(extra)]
    return Planned(message.exam, (*steps, *marked))


def verify(client: FhirClient, message: Message) -> list[Problem]:
    """Where what the server holds is not what was meant: missing, doubled, other fields, findings that the exam
    no longer holds. Digits lost from a number (3.1 for 3.10) are a warning. Only reads."""
    try:
        refuse_older(client, message, held_report(client, message))
    except Superseded as newer:
        what = f"the server holds {newer}, a newer version of this exam"
        return [Problem(Severity.INFORMATION, Layer.TRANSPORT, "superseded", what, where=message.exam)]
    holding = survey(client, message, message.bundle())
    found: list[Problem] = []
    for number, name in enumerate(message.names):
        there = holding.found[number]
        if len(there) != 1:
            what = f"is there {len(there)} times" if there else "is not on the server"
            found.append(tied(problem("doubled" if there else "missing", what), name))
        elif message.full_urls[number] not in message.shared:
            found += _differences(holding, number, name)
    for extra in holding.extra:
        if not is_retracted(extra):
            found.append(tied(problem("not-marked", "is not in this exam and not entered in error"), _called(extra)))
    return found


def _step(holding: Holding, number: int) -> Step:
    there = holding.found[number]
    if not there:
        return Step.CREATE
    if len(there) > 1:
        return Step.STUCK
    shared = holding.entries[number]["fullUrl"] in holding.shared
    return Step.LEAVE if shared or not holding.changes(number) else Step.UPDATE


def _differences(holding: Holding, number: int, name: str) -> list[Problem]:
    found = []
    for difference in holding.changes(number):
        severity = Severity.WARNING if difference.how == "digits" else Severity.ERROR
        made = Problem(severity, Layer.TRANSPORT, difference.how, str(difference))
        found.append(tied(made, name))
    return found


def _called(resource: dict[str, object]) -> str:
    identifiers = resource.get("identifier")
    first = identifiers[0] if isinstance(identifiers, list) and identifiers else {}
    return f"{resource['resourceType']} {first.get('value', '')}"
