"""An exam taken back from one newborn and recorded anew on another: both on the server, or neither.

One transaction where the server has them (FHIR R4 http.html 3.1.0.11.2: all or nothing). Elsewhere the retraction
goes first, after both were looked up and found in order, so that the findings never stand on both.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from adapter.fhir.json import Json
from adapter.send.failures import Held, Superseded, problem
from adapter.send.rest import answers
from adapter.send.rest.capability import Capability, Mode
from adapter.send.rest.client import FhirClient
from adapter.send.rest.delivery import (
    Delivered,
    SentBefore,
    as_one,
    carried_out,
    compare_met,
    concluded,
    left_to_do,
    placed,
    standing,
)
from adapter.send.rest.newborn import Wanted
from adapter.send.rest.persons import Standing
from adapter.send.rest.transaction import Transaction


def deliver_together(
    client: FhirClient,
    capability: Capability,
    taken_back: Transaction,
    anew: Transaction,
    before: Sequence[SentBefore],
    wanted: Wanted,
    say: Callable[[str], None],
) -> tuple[Delivered, Delivered]:
    """Send both; the outcomes of each as :func:`~adapter.send.rest.delivery.deliver` has them.

    ``before`` of each. Doing it again changes nothing. Raises what ``deliver`` raises, before anything is written
    where the retraction or the exam anew may not be sent.
    """
    there = _checked(client, capability, taken_back, anew, wanted, say)
    both = [one.transaction for one in there]
    todos = [left_to_do(client, capability, one, sent) for one, sent in zip(there, before, strict=True)]
    if capability.mode is not Mode.TRANSACTION:
        first, second = (carried_out(client, capability, *one) for one in zip(todos, both, strict=True))
        compare_met(client, capability, there[1], second.outcomes, wanted)
        return first, second
    entries = {entry["fullUrl"]: entry for todo in reversed(todos) for entry in placed(todo)}
    outcomes = as_one(client, list(entries.values()), both) if entries else []
    found = []
    for todo, one in zip(todos, both, strict=True):
        own = {entry["fullUrl"] for entry in todo.entries}
        found.append(concluded(todo, [outcome for outcome in outcomes if outcome.full_url in own], one))
    compare_met(client, capability, there[1], found[1].outcomes, wanted)
    return found[0], found[1]


def _checked(
    client: FhirClient,
    capability: Capability,
    taken_back: Transaction,
    anew: Transaction,
    wanted: Wanted,
    say: Callable[[str], None],
) -> tuple[Standing, Standing]:
    """The two newborns, where the one exam can be taken back and the other made."""
    try:
        reports, wrong = standing(client, capability, taken_back, wanted, say)
    except Superseded as error:
        what = f"exam {taken_back.root} has been taken back already, by {error.newer}"
        raise Held(
            [problem("already-retracted", what, "the exam anew by itself, if it is not recorded yet")]
        ) from None
    if not reports:
        what = f"the server holds no exam {taken_back.root}, so that nothing can be taken back there"
        raise Held([problem("amends-unknown", what, "the exam sent as that of the right newborn, under its own id")])
    for report in reports:
        _refuse_another_version(report, taken_back)
    _, right = standing(client, capability, anew, wanted, say)
    if set(wrong.newborn.ids) & set(right.newborn.ids):
        what = "both newborns are one patient on the server"
        raise Held([problem("same-newborn", what, "identifiers of the right newborn")])
    return wrong, right


def _refuse_another_version(report: Json, taken_back: Transaction) -> None:
    identifiers = answers.objects(report.get("identifier"))
    versions = {answers.text(one, "value") for one in identifiers if one.get("system") == taken_back.systems.version}
    if versions and not versions & {taken_back.exam, taken_back.amends}:
        what = f"the server holds {', '.join(sorted(versions))}, another version of exam {taken_back.root}"
        remedy = f"the record of that version, instead of {taken_back.amends}"
        raise Held([problem("not-the-newest", what, remedy)])
