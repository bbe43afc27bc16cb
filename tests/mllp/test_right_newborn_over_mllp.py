"""The right newborn over MLLP, where nobody can be asked: what the outbox knows is compared; an exam is put right.

HL7 v2.5.1 OBX-11, table 0085: W posts the original as wrong. All newborns are invented.
"""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest
from listening import FAST, QUICK, amended, listening
from test_sending_over_mllp import CATALOGUE, EXAM, OTHER, result_statuses

from adapter import reassign
from adapter.problems import Severity
from adapter.read import to_json
from adapter.send import Outbox, Sender, SendSummary, State
from adapter.send.message import Letter, Receipt
from adapter.send.mllp import MllpTransport
from adapter.send.reassigning import queue_reassignment
from adapter.send.watch.intake import Intake
from commands import run_here

ANEW, REASON = "anew", "Taken in the wrong cot."


class Ended(MllpTransport):
    """The process dies before it sends one of these messages, or after, before that is noted."""

    ends: tuple[int, bool] = (99, False)

    def deliver(self, letter: Letter) -> Receipt:
        number, after = self.ends
        self.ends = number - 1, after
        if number == 0 and not after:
            raise KeyboardInterrupt
        receipt = super().deliver(letter)
        if number == 0:
            raise KeyboardInterrupt
        return receipt


def pid(message: str) -> str:
    return next(line for line in message.split("\r") if line.startswith("PID")).split("|")[3].partition("^")[0]


def sent(outbox: Outbox, transport: MllpTransport) -> None:
    made = transport.prepare(EXAM, CATALOGUE)
    assert made.message is not None
    outbox.put(transport.target, made.message)
    assert Sender(outbox, transport, retry=FAST).run() == SendSummary(sent=1)


@pytest.mark.parametrize("ends", [(99, False), (0, True), (1, True)], ids=str)
def test_taken_back_from_the_one_and_anew_on_the_other(ends: tuple[int, bool], tmp_path: Path) -> None:
    """Ended after the first or the second, the next run makes it whole; what comes twice has one control id."""
    made = reassign(EXAM, OTHER.newborn, ANEW, REASON, CATALOGUE)
    with listening(tmp_path) as there, Ended(httpx.URL(there.url), QUICK) as transport:
        with Outbox(tmp_path / "outbox.db") as outbox:
            sent(outbox, transport)
            queue_reassignment(outbox, transport, made, CATALOGUE)
            transport.ends = ends
            if ends[0] < 2:
                with pytest.raises(KeyboardInterrupt):
                    Sender(outbox, transport, retry=FAST, parallel=1).run()
                transport.ends = (99, False)
        with Outbox(tmp_path / "outbox.db") as outbox:
            assert Sender(outbox, transport, retry=FAST).run() == SendSummary(sent=2)
            assert {row.state for row in outbox.rows()} == {State.SENT}
        received = {one["control_id"]: one["message"] for one in there.received()}
        assert len(received) == 3
        first, back, anew = received.values()
        assert (pid(first), pid(back)) == (EXAM.newborn.identifiers[0].value,) * 2
        assert pid(anew) == OTHER.newborn.identifiers[0].value
        assert set(result_statuses(back).values()) == {"W"}
        assert set(result_statuses(back)) >= set(result_statuses(first))
        assert not {"W", "C", "D"} & set(result_statuses(anew).values())


def test_one_refused_after_the_other_is_said_and_goes_on_with_both(tmp_path: Path) -> None:
    made = reassign(EXAM, OTHER.newborn, ANEW, REASON, CATALOGUE)
    with listening(tmp_path, "AA", "AA", "AE:204") as there, MllpTransport(httpx.URL(there.url), QUICK) as transport:
        with Outbox(tmp_path / "outbox.db") as outbox:
            sent(outbox, transport)
            queue_reassignment(outbox, transport, made, CATALOGUE)
            assert Sender(outbox, transport, retry=FAST).run() == SendSummary(dead=1)
            [back, anew] = outbox.rows(State.DEAD)
            assert (back.reasons[0].rule, anew.reasons) == ("half-arrived", back.reasons)
            assert f"{made.taken_back.details.id} has arrived" in back.reasons[0].what
            assert outbox.retry(anew.seq)
            assert Sender(outbox, transport, retry=FAST).run() == SendSummary(sent=2)
        assert pid(there.messages()[-1]) == OTHER.newborn.identifiers[0].value


def test_what_is_not_of_this_newborn_or_forks_is_refused(tmp_path: Path) -> None:
    """In a later run, by what the outbox knows."""
    newer = amended(EXAM, drop=1)
    moved = newer.model_copy(update={"newborn": OTHER.newborn})
    other = amended(EXAM, drop=2)
    details = other.details.model_copy(update={"id": "another"})
    cases = [
        ("moved", moved, "is of another newborn"),
        ("newer", newer, ""),
        ("fork", other.model_copy(update={"details": details}), "nothing says which"),
    ]
    with listening(tmp_path) as there:
        (tmp_path / "t.yaml").write_text(json.dumps({"url": there.url, "timeouts": {"connect": 2, "read": 1}}))
        for name, one, said in [("first", EXAM, ""), *cases]:
            (tmp_path / f"{name}.json").write_bytes(to_json(one))
            done = run_here(
                "send", tmp_path / f"{name}.json", "--target", tmp_path / "t.yaml", "--outbox", tmp_path / "o.db"
            )
            assert done.returncode == (1 if said else 0), done
            assert said in done.stderr.decode()
        with MllpTransport(httpx.URL(there.url), QUICK) as transport, Outbox(tmp_path / "o.db") as outbox:
            dropped = Intake(outbox, transport, CATALOGUE)
            fates = [fate for name, *_ in cases for fate in dropped.queue(tmp_path / f"{name}.json")]
        rules = [{one.rule for one in fate.problems if one.severity is Severity.ERROR} for fate in fates]
        assert rules == [{"amends-another-newborn"}, set(), {"amendments-fork"}]
        assert len(there.received()) == 2
