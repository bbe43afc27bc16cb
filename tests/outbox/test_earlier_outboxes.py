"""Outbox files of earlier versions of this program: opened, nothing lost, and sent to the end.

``kept/version-1.db.gz`` was made by the program as it was before messages were kept apart from what only FHIR needs:
invented newborns, to a FHIR server and to a listener of HL7 v2, in every state.
"""

from __future__ import annotations

import gzip
import sqlite3
from hashlib import sha256
from pathlib import Path

import pytest
from sent_exams import amended, exam

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.send import MessagePart, Outbox, OutboxError, PutResult, State, message_of
from adapter.send.rest.transaction import Transaction

KEPT = Path(__file__).with_name("kept") / "version-1.db.gz"
FHIR, V2 = "https://fhir.example.org/r4", "mllps://listener.example.org:2575"


@pytest.fixture
def earlier(tmp_path: Path) -> Path:
    path = tmp_path / "outbox.db"
    path.write_bytes(gzip.decompress(KEPT.read_bytes()))
    path.chmod(0o600)
    return path


def short(key: str) -> Exam:
    """As the exams in the file: two findings and the cry."""
    made = exam(key)
    return made.model_copy(update={"findings": made.findings[:2] + made.findings[-1:]})


def content(path: Path) -> list[str]:
    db = sqlite3.connect(path)
    found = list(db.iterdump())
    db.close()
    return found


def test_every_message_is_there_in_its_state(earlier: Path) -> None:
    with Outbox(earlier) as outbox:
        assert [(row.seq, row.target, row.exam, row.state, row.attempts) for row in outbox.rows()] == [
            (1, FHIR, "x-sent", State.SENT, 1),
            (2, FHIR, "x-sent-v2", State.WAITING, 1),
            (3, FHIR, "x-dead", State.DEAD, 1),
            (4, FHIR, "x-old-v2", State.WAITING, 0),
            (5, FHIR, "x-old", State.SUPERSEDED, 0),
            (6, V2, "x-v2", State.SENT, 1),
            (7, V2, "x-v2-waits", State.WAITING, 0),
        ]
        for seq in (1, 2, 3, 4, 5):
            message = outbox.message(seq)
            assert message.digest == sha256(message.payload).hexdigest()
            transaction = Transaction.of(message)
            bundle = transaction.bundle
            assert transaction.full_urls == tuple(entry["fullUrl"] for entry in bundle["entry"])
            assert transaction.shared < set(transaction.full_urls)
            assert transaction.systems.observation
        assert outbox.message(6).payload.startswith(b"MSH|")
        assert outbox.message(6).own == {}


def test_what_the_receivers_said_is_kept_with_the_names_it_was_said_of(earlier: Path) -> None:
    with Outbox(earlier) as outbox:
        rows = {row.seq: row for row in outbox.rows()}
    cry = next(part for part in rows[1].parts if part.name == "Observation x-sent/cry")
    assert cry.answer == "201"
    assert cry.place.startswith("Observation/")
    assert "_history" not in cry.place
    assert cry.version == "1"
    [refused] = rows[3].parts
    assert (refused.name, refused.answer) == ("Observation x-dead/cry", "422")
    assert refused.problems == rows[3].reasons
    [acknowledged] = rows[6].parts
    assert acknowledged == MessagePart(acknowledged.name, "AA")
    assert acknowledged.name.startswith("ORU^R01 ")


def test_it_goes_on_where_it_was(earlier: Path, catalogue: Catalogue) -> None:
    """What was sent is known, what waits goes with what is known of the version before, what died can be retried."""
    with Outbox(earlier) as outbox:
        # the same bytes as then: what today's catalogue makes of the exam may differ
        assert outbox.put(FHIR, outbox.message(1)) is PutResult.SENT_BEFORE
        assert outbox.put(FHIR, outbox.message(3)) is PutResult.DEAD_BEFORE
        assert outbox.put(FHIR, message_of(amended(short("dead")), catalogue)) is PutResult.QUEUED
        assert outbox.retry(2)
        letter = outbox.claim(FHIR, 8)
        assert letter is not None
        assert letter.message.exam == "x-sent-v2"
        assert {part.name for part in letter.before} >= {"Observation x-sent/cry", "Device"}
        outbox.sent(letter)
        assert outbox.claim(FHIR, 8) is not None
        assert outbox.claim(V2, 8) is not None
    with Outbox(earlier) as outbox:  # once more: it is of today's version now
        assert len(list(outbox.rows())) == 8


def test_a_change_of_the_layout_that_fails_changes_nothing(earlier: Path) -> None:
    with sqlite3.connect(earlier) as db:
        db.execute("UPDATE message SET outcomes = 'not JSON' WHERE seq = 7")
    db.close()
    before = content(earlier)
    with pytest.raises(OutboxError, match="message 7"):
        Outbox(earlier)
    assert content(earlier) == before


def test_a_later_version_is_not_touched(earlier: Path) -> None:
    with sqlite3.connect(earlier) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(OutboxError, match="version 99"):
        Outbox(earlier)
