"""MLLP against a listener that is not ours (hl7 0.4.5), with what can go wrong between the two.

What the codes mean: HL7 v2.5.1 section 2.9.2 and tables 0008 and 0357, as the header of
``adapter/send/mllp/acknowledgement.py`` gives them.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import httpx
import pytest
from listening import QUICK, amended, listening, send

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam, Status
from adapter.read.oru import from_oru
from adapter.send import Outbox, SendSummary, State
from adapter.send.failures import Unavailable
from adapter.send.message import Letter
from adapter.send.mllp import MllpTransport
from examples.regenerate import example

CATALOGUE = load_catalogue()


def short(name: str) -> Exam:
    """An example with a few of its findings: hl7apy, which judges each message before it leaves, is slow."""
    exam = example(name)
    return exam.model_copy(update={"findings": exam.findings[:16]})


EXAM = short("d07-1-boy-palate-part-seen")
OTHER = short("d05-boy-weak-femorals-failed-screen")


def asking(how: str) -> Catalogue:
    return replace(CATALOGUE, v2=CATALOGUE.v2.model_copy(update={"acknowledgement": how}))


def test_what_arrives_reads_back_to_the_exam(tmp_path: Path) -> None:
    with listening(tmp_path) as there:
        summary, events = send(tmp_path, there, [EXAM], CATALOGUE)
        assert summary == SendSummary(sent=1)
        (message,) = there.messages()
        (read,) = from_oru(message.encode(), CATALOGUE)
        assert (read.details, read.newborn) == (EXAM.details, EXAM.newborn)
        assert sorted(map(repr, read.findings)) == sorted(map(repr, EXAM.findings))
        assert [part.answer for part in events[-1].receipt.parts] == ["AA"]
        # sent before: nothing leaves a second time
        assert send(tmp_path, there, [EXAM], CATALOGUE)[0] == SendSummary()
        assert len(there.messages()) == 1


@pytest.mark.parametrize(
    "fault", ["silent", "wrong-id", "reset", "close", "nonsense", "CA", "AR", "AR:207", "AE:206"]
)
def test_after_a_fault_the_same_message_is_sent_again_under_the_same_control_id(fault: str, tmp_path: Path) -> None:
    with listening(tmp_path, fault) as there:
        assert send(tmp_path, there, [EXAM], CATALOGUE)[0] == SendSummary(sent=1)
        first, second = there.received()
        assert (first["answer"], second["answer"]) == (fault, "AA")
        assert first["control_id"] == second["control_id"]
        assert first["message"] == second["message"]


@pytest.mark.parametrize("oddity", ["late", "split", "garbage", "CA+AA"])
def test_an_odd_acknowledgement_is_understood_the_first_time(oddity: str, tmp_path: Path) -> None:
    with listening(tmp_path, oddity) as there:
        assert send(tmp_path, there, [EXAM], CATALOGUE)[0] == SendSummary(sent=1)
        assert len(there.received()) == 1


@pytest.mark.parametrize("code", ["AE", "AE:101", "AE:204", "AR:200", "AR:203", "CE", "CR:202", "old-err"])
def test_what_is_refused_for_good_is_given_up_with_the_reason_and_holds_up_no_other(
    code: str, tmp_path: Path
) -> None:
    with listening(tmp_path, code) as there:
        summary, _ = send(tmp_path, there, [EXAM, OTHER], CATALOGUE, parallel=1)
        assert summary == SendSummary(sent=1, dead=1)
        assert len(there.received()) == 2
    with Outbox(tmp_path / "outbox.db") as outbox:
        (dead,) = outbox.rows(State.DEAD)
    assert dead.exam == EXAM.details.id
    (reason,) = dead.reasons
    error = code.partition(":")[2] or {"old-err": "102"}.get(code, "")
    assert reason.rule == f"hl7-{error or code}"
    place = {"old-err": "segment 3 (OBX-5)"}.get(code, "segment 1 (PID-3)" if error else "MSA")
    assert reason.where == place


def test_what_a_receiver_repeats_of_a_person_is_not_kept(tmp_path: Path) -> None:
    with listening(tmp_path, "AE:101") as there:
        send(tmp_path, there, [EXAM], CATALOGUE)
    with Outbox(tmp_path / "outbox.db") as outbox:
        (dead,) = outbox.rows(State.DEAD)
    assert EXAM.newborn.name is not None
    assert EXAM.newborn.name not in str(dead.reasons)
    assert "required field missing: refused […]" in dead.reasons[0].what


def test_a_message_that_is_never_acknowledged_is_given_up_and_holds_up_no_other(tmp_path: Path) -> None:
    answers = ["silent", "AA", "silent", "silent", "silent"]
    with listening(tmp_path, *answers) as there:
        summary, _ = send(tmp_path, there, [EXAM, OTHER], CATALOGUE, parallel=1)
        assert summary == SendSummary(sent=1, dead=1)
        sent = [one["control_id"] for one in there.received()]
        assert [sent.count(one) for one in dict.fromkeys(sent)] == [4, 1]
    with Outbox(tmp_path / "outbox.db") as outbox:
        (dead,) = outbox.rows(State.DEAD)
    assert [reason.rule for reason in dead.reasons] == ["no-acknowledgement"]


def test_nobody_listening_counts_against_no_exam(tmp_path: Path) -> None:
    with listening(tmp_path) as there:
        pass
    summary, _ = send(tmp_path, there, [EXAM, OTHER], CATALOGUE)
    assert (summary.sent, summary.dead, summary.left) == (0, 0, 2)
    assert [problem.rule for problem in summary.stopped] == ["unreachable"]
    assert "the right address" in summary.stopped[0].remedy
    with Outbox(tmp_path / "outbox.db") as outbox:
        assert {row.attempts for row in outbox.rows()} == {0}


@pytest.mark.parametrize(
    ("asked", "answers", "sent"),
    [
        ("accept", ["CA"], 1),
        ("accept", ["AA"], 1),
        ("accept-and-application", ["CA+AA"], 1),
        ("accept-and-application", ["CA", "CA+AA"], 2),
    ],
)
def test_enhanced_mode_waits_for_what_it_asked_for(asked: str, answers: list[str], sent: int, tmp_path: Path) -> None:
    with listening(tmp_path, *answers) as there:
        assert send(tmp_path, there, [EXAM], asking(asked))[0] == SendSummary(sent=1)
        assert len(there.received()) == sent


def test_an_application_that_refuses_after_the_message_was_stored_is_heard(tmp_path: Path) -> None:
    with listening(tmp_path, "CA+AE") as there:
        assert send(tmp_path, there, [EXAM], asking("accept-and-application"))[0] == SendSummary(dead=1)


def test_an_amendment_replaces_and_withdraws(tmp_path: Path) -> None:
    """OBX-11, table 0085: C replaces a final result, W posts the original as wrong."""
    newer = amended(EXAM, drop=2)
    with listening(tmp_path) as there:
        assert send(tmp_path, there, [EXAM, newer], CATALOGUE)[0] == SendSummary(sent=2)
        first, second = there.messages()
        dropped = {finding.item for finding in EXAM.findings[-2:]} - {finding.item for finding in newer.findings}
        statuses = result_statuses(second)
        assert set(result_statuses(first).values()) <= {"F", "X"}
        for key, status in statuses.items():
            mine = key[0].split(".")[0]
            assert status == "W" if mine in dropped else status in ("C", "X", "W")
        assert {key[0].split(".")[0] for key, status in statuses.items() if status == "W"} >= dropped
        # every result of the first version is told of in the second, so none is left standing
        assert set(statuses) >= set(result_statuses(first))
        (read,) = from_oru(second.encode(), CATALOGUE)
        assert len(read.findings) == len(newer.findings)
        # an older version is never sent over a newer one; the same again is nothing new
        assert send(tmp_path, there, [newer], CATALOGUE)[0] == SendSummary()


def test_a_retracted_exam_posts_everything_as_wrong(tmp_path: Path) -> None:
    with listening(tmp_path) as there:
        send(tmp_path, there, [EXAM, amended(EXAM, Status.ENTERED_IN_ERROR)], CATALOGUE)
        first, second = there.messages()
        assert set(result_statuses(second).values()) == {"W"}
        assert set(result_statuses(second)) >= set(result_statuses(first))
        (read,) = from_oru(second.encode(), CATALOGUE)
        assert read.details.status is Status.ENTERED_IN_ERROR
        assert len(read.findings) == len(EXAM.findings)


def test_what_a_refused_version_said_is_not_withdrawn(tmp_path: Path) -> None:
    with listening(tmp_path, "AE:101") as there:
        send(tmp_path, there, [EXAM], CATALOGUE)
        send(tmp_path, there, [amended(EXAM, drop=2)], CATALOGUE)
        assert "W" not in set(result_statuses(there.messages()[-1]).values())


def result_statuses(message: str) -> dict[tuple[str, ...], str]:
    """OBX-11 by own code, sub-id and OBR-3."""
    found, filler = {}, ""
    for line in message.split("\r"):
        fields = line.split("|")
        if fields[0] == "OBR":
            filler = fields[3]
        if fields[0] == "OBX":
            parts = fields[3].split("^")
            own = parts[3] if len(parts) > 3 else parts[0]
            found[own, fields[4], filler] = fields[11]
    return found


def test_the_order_of_one_newborn_is_kept_though_one_message_fails_at_first(tmp_path: Path) -> None:
    first, second = example("d10-1-girl-scalp-swelling-left"), example("d10-2-girl-scalp-swelling-amended")
    with listening(tmp_path, "close", "silent") as there:
        assert send(tmp_path, there, [first, second, OTHER], CATALOGUE)[0] == SendSummary(sent=3)
        arrived = [
            line.split("|")[20] for m in there.messages() for line in m.split("\r") if line.startswith("OBR|1|")
        ]
        assert arrived.index(second.details.id) > max(n for n, one in enumerate(arrived) if one == first.details.id)


def test_what_a_message_has_no_place_for_is_said() -> None:
    newborn = EXAM.newborn.model_copy(update={"facts": {"birth_sex": "F"}})
    told = EXAM.model_copy(update={"newborn": newborn})
    prepared = MllpTransport(httpx.URL("mllp://127.0.0.1:1"), QUICK).prepare(told, CATALOGUE, source="a.json")
    assert prepared.message is not None
    (one,) = prepared.problems
    assert (one.rule, one.severity, one.file) == ("left-out", "warning", "a.json")


def test_one_connection_is_kept_and_opened_again_when_the_listener_closed_it(tmp_path: Path) -> None:
    message = MllpTransport(httpx.URL("mllp://127.0.0.1:1"), QUICK).prepare(EXAM, CATALOGUE).message
    assert message is not None
    with listening(tmp_path) as there, MllpTransport(httpx.URL(there.url), QUICK) as transport:
        letter = Letter(1, 1, transport.target, message)
        assert transport.deliver(letter).words == "AA"
    with pytest.raises(Unavailable):
        transport.deliver(letter)
