"""A FHIR server as a receiver of exams."""

from __future__ import annotations

import re
import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace

import httpx

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir import to_bundle
from adapter.fhir.persons import MADE
from adapter.problems import Problem
from adapter.send.address import on_this_machine
from adapter.send.failures import TO_DO, Cause, Failed, Rejected, Unavailable, Undelivered, Unreachable, problem
from adapter.send.message import Letter, Message, MessagePart, Receipt
from adapter.send.outbox import OutboxRow
from adapter.send.rest import preview
from adapter.send.rest.answers import Barred, EntryOutcome, ServerRefused
from adapter.send.rest.blame import blamed, reasons
from adapter.send.rest.capability import Capability, Mode, learn
from adapter.send.rest.client import FhirClient
from adapter.send.rest.delivery import Delivered, SentBefore, deliver
from adapter.send.rest.newborn import Wanted
from adapter.send.rest.private import redaction_of
from adapter.send.rest.reconcile import digest_of
from adapter.send.rest.together import deliver_together
from adapter.send.rest.transaction import Transaction, message_of
from adapter.send.rest.wire import within
from adapter.send.transport import Prepared, Preview
from adapter.validate.proven import Prover
from adapter.write import unmet_profiles
from adapter.write.attached import presented_form

_MOST = 20


class FhirTransport:
    """Delivers to the server of ``client``; safe to use from many threads.

    ``wanted`` says what the newborn's record there must be. Unless it says so, newborns must be known there, but for
    a server on this machine, which is one to try things on. ``most``: an exam is sent by no way that does more at
    once than this, whatever the server says that it can; a server may limit the size of a transaction, and no
    CapabilityStatement says so.
    """

    def __init__(
        self, client: FhirClient, wanted: Wanted | None = None, *, most: Mode | str = Mode.TRANSACTION
    ) -> None:
        self._client, self._most = client, Mode(most)
        self._wanted = wanted or Wanted(made=on_this_machine(httpx.URL(client.base_url)))
        self._prover = Prover()
        self._lock = threading.Lock()
        self._capability: Capability | None = None

    @property
    def target(self) -> str:
        """The server's base address."""
        return self._client.base_url

    def prepare(
        self,
        exam: Exam,
        catalogue: Catalogue,
        earlier: Sequence[tuple[OutboxRow, Message]] = (),
        source: str = "",
    ) -> Prepared:
        """The exam as a transaction, validated; other versions make no difference to it.

        For one thread at a time, as the proven forms are remembered.
        """
        presented = presented_form(exam, catalogue)
        bundle = to_bundle(exam, catalogue, written=True, persons=MADE, presented=presented)
        problems = self._prover.check(bundle, file=source)
        problems += [replace(one, file=source) for one in unmet_profiles(exam, catalogue, "transaction")]
        return Prepared(message_of(exam, catalogue, presented), tuple(problems))

    def deliver(self, letter: Letter) -> Receipt:
        """See :func:`adapter.send.rest.delivery.deliver`."""
        transaction = _transaction(letter)
        try:
            remarks: list[str] = []
            before = _sent_before(letter)
            with within(self._client.times.exam):
                sent = deliver(self._client, self._able(), transaction, before, self._wanted, remarks.append)
        except (Unreachable, ServerRefused) as error:
            raise self._undelivered(transaction, error) from None
        return _receipt(transaction, sent, remarks)

    def deliver_together(self, letter: Letter, along: Letter) -> tuple[Receipt, Receipt]:
        """See :func:`adapter.send.rest.together.deliver_together`."""
        both = _transaction(letter), _transaction(along)
        before = _sent_before(letter), _sent_before(along)
        try:
            remarks: list[str] = []
            with within(self._client.times.exam):
                sent = deliver_together(self._client, self._able(), *both, before, self._wanted, remarks.append)
        except (Unreachable, ServerRefused) as error:
            raise self._undelivered(both[0], error) from None
        return _receipt(both[0], sent[0], []), _receipt(both[1], sent[1], remarks)

    def preview(self, message: Message) -> Preview:
        """See :func:`adapter.send.rest.preview.preview`."""
        able = self._able()
        return preview.preview(self._client, Transaction.of(message), self._wanted, asks_in=able.asks_in)

    def verify(self, message: Message) -> list[Problem]:
        """See :func:`adapter.send.rest.preview.verify`."""
        able = self._able()
        return preview.verify(self._client, Transaction.of(message), self._wanted, asks_in=able.asks_in)

    def _able(self) -> Capability:
        """What the server can do; asked once it answers."""
        with self._lock:
            if self._capability is None:
                try:
                    self._capability = learn(self._client).at_most(self._most)
                except ServerRefused as refused:
                    kind, cause = blamed(refused)
                    if kind is Rejected or (cause is Cause.GATEWAY and refused.status >= 300):
                        found = Barred(refused.status, reasons(refused, cause))
                        found.cause = Cause.SERVER if cause is Cause.EXAM else cause
                        raise found from None
                    raise
            return self._capability

    def _undelivered(self, transaction: Transaction, error: Unreachable | ServerRefused) -> Undelivered:
        """The failure in our words and the server's, tied to entries."""
        kind, cause = blamed(error)
        if issubclass(kind, Failed) and (whose := self._ails()) is not None:
            kind, cause = Unavailable, cause if whose is Cause.EXAM else whose
        if isinstance(error, Unreachable):
            rule = cause.value if cause is not Cause.NETWORK else "unreachable"
            return kind([problem(rule, str(error), TO_DO[cause])], cause=cause, nobody=error.nobody)
        redaction = redaction_of(transaction.bundle)
        found = [redaction.clean(one) for one in reasons(error, cause)[:_MOST]]
        return kind(found, retry_after=error.retry_after, parts=_parts(transaction, error.outcomes), cause=cause)

    def _ails(self) -> Cause | None:
        """Where the trouble lies if the server does not even tell what it can do, which has nothing to do with an
        exam; None where it does."""
        try:
            with within(self._client.times.whole):
                self._client.capabilities()
        except (Unreachable, ServerRefused) as error:
            return blamed(error)[1]
        return None


def _transaction(letter: Letter) -> Transaction:
    return replace(Transaction.of(letter.message), rooted=letter.rooted)


def _receipt(transaction: Transaction, sent: Delivered, remarks: Sequence[str]) -> Receipt:
    digests = {entry["fullUrl"]: digest_of(entry["resource"]) for entry in sent.transaction.entries()}
    words = ", ".join(f"{number} {what}" for what, number in sent.counts.items())
    return Receipt("; ".join([words, *remarks]), _parts(transaction, sent.outcomes, digests), sent.counts)


def _parts(
    transaction: Transaction, outcomes: Sequence[EntryOutcome], digests: Mapping[str, str] | None = None
) -> tuple[MessagePart, ...]:
    """Outcomes as they may be kept and shown: without what the server repeats of a person; with the digests of what
    arrived, by full URL."""
    if any(outcome.outcome_problems for outcome in outcomes):
        redaction = redaction_of(transaction.bundle)
        remarks = [redaction.remarks(outcome.outcome_problems) for outcome in outcomes]
    else:
        remarks = [()] * len(outcomes)
    names = dict(zip(transaction.full_urls, transaction.names, strict=True))
    return tuple(
        MessagePart(
            name=names.get(outcome.full_url, "marked as entered in error"),
            answer=str(outcome.status),
            place=outcome.place,
            version=outcome.version,
            problems=said,
            digest=(digests or {}).get(outcome.full_url, ""),
        )
        for outcome, said in zip(outcomes, remarks, strict=True)
    )


def _sent_before(letter: Letter) -> SentBefore:
    found = {}
    for part in letter.before:
        kind, _, value = part.name.partition(" ")
        if kind == "Observation" and re.fullmatch(r"Observation/[^/]+", part.place):
            found[value] = part.place
    return SentBefore(found, letter.digests)
