"""What sending an exam would do on a server, found out without writing; and whether what was sent is there.

Both look everything up (:mod:`adapter.send.rest.lookup`) and compare field by field.
"""

from __future__ import annotations

from enum import StrEnum

from adapter.problems import Layer, Problem, Severity
from adapter.send.failures import Held, Superseded, problem
from adapter.send.rest.capability import Mode
from adapter.send.rest.client import FhirClient
from adapter.send.rest.delivery import tied
from adapter.send.rest.lookup import Holding, held_report, is_retracted, look_up
from adapter.send.rest.newborn import USUAL, Wanted
from adapter.send.rest.persons import persons_there
from adapter.send.rest.transaction import Transaction
from adapter.send.rest.versions import refuse_older, refuse_other_content
from adapter.send.transport import Preview


class Step(StrEnum):
    """What would be done with a resource."""

    CREATE = "create"
    UPDATE = "update"
    LEAVE = "leave alone"
    MARK = "mark as entered in error"
    STUCK = "there twice"


def preview(
    client: FhirClient, transaction: Transaction, wanted: Wanted = USUAL, *, asks_in: Mode | None = None
) -> Preview:
    """What sending would do now. Only reads; raises what the client raises."""
    try:
        reports = held_report(client, transaction)
        refuse_older(client, transaction, reports)
        there = persons_there(client, transaction, reports, wanted, asks_in=asks_in)
        transaction = there.transaction
        holding = look_up(client, transaction, there.newborn, reports=reports, asks_in=asks_in)
        refuse_other_content(client, transaction, holding)
    except Superseded as error:
        return Preview(transaction.exam, superseded=error.newer)
    except Held as error:
        return Preview(transaction.exam, held=tuple(error.problems))
    steps = [(_step(holding, number), name) for number, name in enumerate(transaction.names)]
    marked = [(Step.MARK, _called(extra)) for extra in holding.extra if not is_retracted(extra)]
    return Preview(transaction.exam, (*steps, *marked))


def verify(
    client: FhirClient, transaction: Transaction, wanted: Wanted = USUAL, *, asks_in: Mode | None = None
) -> list[Problem]:
    """Where what the server holds is not what was meant: missing, doubled, other fields, findings that the exam
    no longer holds. Digits lost from a number (3.1 for 3.10) are a warning. Only reads."""
    try:
        reports = held_report(client, transaction)
        refuse_older(client, transaction, reports)
        there = persons_there(client, transaction, reports, wanted, asks_in=asks_in)
    except Held as error:
        return list(error.problems)
    except Superseded as error:
        what = f"the server holds {error.newer}, a newer version of this exam"
        return [Problem(Severity.INFORMATION, Layer.TRANSPORT, "superseded", what, where=transaction.exam)]
    transaction = there.transaction
    holding = look_up(client, transaction, there.newborn, reports=reports, asks_in=asks_in)
    found: list[Problem] = []
    for number, name in enumerate(transaction.names):
        held = holding.found[number]
        if len(held) != 1:
            what = f"is there {len(held)} times" if held else "is not on the server"
            found.append(tied(problem("doubled" if held else "missing", what), name))
        elif transaction.full_urls[number] not in transaction.shared:
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
    return Step.LEAVE if shared or not holding.is_outdated(number) else Step.UPDATE


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
