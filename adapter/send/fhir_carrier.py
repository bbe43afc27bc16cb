"""A FHIR server as a receiver of exams."""

from __future__ import annotations

import re
import threading
from collections import Counter
from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import to_bundle
from adapter.problems import Problem
from adapter.send.answers import Barred, EntryOutcome, Refused, ServerRefused, Unreachable, problem
from adapter.send.capability import Capability, learn
from adapter.send.carrier import Carrier, Made
from adapter.send.client import FhirClient
from adapter.send.delivery import deliver, tied
from adapter.send.discretion import Discretion
from adapter.send.message import message_of
from adapter.send.outbox import Letter, Outbox
from adapter.send.policy import Verdict, verdict
from adapter.validate.proven import Prover


class FhirCarrier:
    """Delivers to the server of ``client``; safe to use from many threads."""

    def __init__(self, client: FhirClient) -> None:
        self._client = client
        self._prover = Prover()
        self._lock = threading.Lock()
        self._capability: Capability | None = None

    @property
    def target(self) -> str:
        """The server's base address."""
        return self._client.base_url

    def made(self, exam: Exam, catalogue: Catalogue, outbox: Outbox | None = None, source: str = "") -> Made:
        """The exam as a transaction, validated; other versions make no difference to it.

        For one thread at a time, as the proven forms are remembered.
        """
        problems = self._prover.check(to_bundle(exam, catalogue, written=True), file=source)
        return Made(message_of(exam, catalogue), tuple(problems))

    def deliver(self, letter: Letter) -> list[EntryOutcome]:
        """See :func:`adapter.send.delivery.deliver`."""
        return deliver(self._client, self._able(), letter.message, letter.known)

    def _able(self) -> Capability:
        """What the server can do; asked once it answers."""
        with self._lock:
            if self._capability is None:
                try:
                    self._capability = learn(self._client)
                except ServerRefused as refused:
                    if verdict(refused) is Verdict.NEVER:
                        raise Barred(refused.status, refused.problems) from None
                    raise
            return self._capability

    def verdict(self, error: Unreachable | Refused) -> Verdict:
        """By the HTTP status (:mod:`adapter.send.policy`)."""
        return verdict(error)

    def is_well(self) -> bool:
        """Whether the server tells what it can do."""
        try:
            self._client.capabilities()
        except (Unreachable, ServerRefused):
            return False
        return True

    def reasons(self, letter: Letter, error: Unreachable | Refused) -> list[Problem]:
        """In our words and the server's, tied to entries."""
        if isinstance(error, Unreachable):
            return [problem("unreachable", str(error))]
        message, discretion = letter.message, Discretion(letter.message.bundle())
        return [discretion.clean(_placed(one, message.names)) for one in error.problems[:20]]

    def kept(self, letter: Letter, outcomes: Sequence[EntryOutcome]) -> list[EntryOutcome]:
        """The outcomes without what the server repeats of a person."""
        if not any(outcome.outcome_problems for outcome in outcomes):
            return list(outcomes)
        return Discretion(letter.message.bundle()).outcomes(outcomes)

    def in_words(self, outcomes: Sequence[EntryOutcome]) -> str:
        """How many resources were made, and how many were there."""
        counts = Counter("created" if outcome.status == 201 else "there" for outcome in outcomes)
        return f"{counts['created']} created, {counts['there']} there before"


def carrier_to(receiver: FhirClient | Carrier) -> Carrier:
    """The carrier of a client, or the one that is given."""
    return FhirCarrier(receiver) if isinstance(receiver, FhirClient) else receiver


def _placed(found: Problem, names: Sequence[str]) -> Problem:
    """A problem that a server placed in ``Bundle.entry[n]`` of a transaction, tied to that entry."""
    match = re.search(r"\bentry\[(\d+)\]", found.where)
    if match is None or int(match[1]) >= len(names):
        return found
    return tied(found, names[int(match[1])])
