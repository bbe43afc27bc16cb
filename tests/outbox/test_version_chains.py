"""``amends`` names the first exam or any later version: one chain, whatever the order of the files."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from itertools import permutations
from pathlib import Path
from uuid import uuid4

import pytest
from click.testing import CliRunner, Result
from on_server import observations, statuses
from sent_exams import STARTED, amended, exam, newborn, retracted

from adapter.catalogue import Catalogue
from adapter.cli import cli
from adapter.derive.chains import Chains
from adapter.derive.versions import KnownVersion
from adapter.exam import Exam
from adapter.read import to_json
from adapter.sandbox import Store, running
from adapter.send import FhirClient, FhirTransport, Outbox, Sender, message_of
from adapter.send.rest.lookup import held_report
from adapter.send.rest.transaction import transaction_of


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with Store(None) as store, running(store) as found:
        yield found


def naming(one: Exam, version: Exam) -> Exam:
    """The exam, in ``amends`` this version."""
    details = one.details.model_copy(update={"amends": version.details.id})
    return one.model_copy(update={"details": details})


def chain(key: str) -> list[Exam]:
    """First recorded, amended (52 breaths), and amended again (60)."""
    first = exam(key)
    second = amended(first)
    return [first, second, naming(amended(first, 3, rate=60), second)]


def command(folder: Path, name: str, *exams: Exam, args: tuple[str, ...] = ()) -> Result:
    files = []
    for number, one in enumerate(exams):
        files.append(folder / f"{name}-{number}.json")
        files[-1].write_bytes(to_json(one))
    return CliRunner().invoke(cli, [name, *map(str, files), *args])


def send(folder: Path, url: str, *exams: Exam, outbox: str = "outbox.db") -> Result:
    return command(folder, "send", *exams, args=("--to", url, "--outbox", str(folder / outbox)))


def rate(client: FhirClient, first: Exam) -> tuple[int, str]:
    [found] = observations(client, first)[f"{first.details.id}/respiratory_rate"]
    return int(found["valueQuantity"]["value"]), found["status"]


@pytest.mark.parametrize("order", list(permutations(range(3))), ids=str)
def test_the_newest_stands_whatever_the_order(order: tuple[int, ...], url: str, tmp_path: Path) -> None:
    versions = chain(uuid4().hex[:10])
    sent = send(tmp_path, url, *(versions[number] for number in order))
    assert sent.exit_code == 0, sent.output
    with FhirClient(url) as client:
        assert rate(client, versions[0]) == (60, "amended")
        again = send(tmp_path, url, *versions, outbox="another.db")
        assert again.exit_code == 0, again.output
        assert rate(client, versions[0]) == (60, "amended")


def test_a_retraction_of_the_last_version_takes_all_back(url: str, tmp_path: Path) -> None:
    versions = chain(uuid4().hex[:10])
    end = naming(retracted(versions[0]), versions[2])
    sent = send(tmp_path, url, end, *reversed(versions))
    assert sent.exit_code == 0, sent.output
    with FhirClient(url) as client:
        assert set(statuses(observations(client, versions[0])).values()) == {"entered-in-error"}


def test_across_runs_the_outbox_knows_the_chain(url: str, tmp_path: Path) -> None:
    first, second, third = chain(uuid4().hex[:10])
    for one in (first, second, third):
        assert send(tmp_path, url, one).exit_code == 0
    with FhirClient(url) as client:
        assert rate(client, first) == (60, "amended")


def test_what_nobody_knows_is_not_amended(url: str, tmp_path: Path) -> None:
    first, second, third = chain(uuid4().hex[:10])
    assert send(tmp_path, url, first).exit_code == 0
    held = send(tmp_path, url, third, outbox="another.db")
    assert held.exit_code == 1
    assert f"amends {second.details.id}, which is neither in this outbox nor on the server" in held.output
    assert send(tmp_path, url, second, outbox="another.db").exit_code == 0
    held = send(tmp_path, url, naming(third, second), outbox="a-third.db")
    assert held.exit_code == 1
    assert f"is itself a later version of exam {first.details.id}" in held.output
    with FhirClient(url) as client:
        assert rate(client, first) == (52, "amended")
        found = list(client.search("Observation", {"status": "entered-in-error", "_count": "500"}))
        assert not [one for one in found if third.details.id in one["identifier"][0]["value"]]


def test_an_amendment_of_another_newborn_is_refused(url: str, tmp_path: Path) -> None:
    first = exam(uuid4().hex[:10])
    moved = amended(first).model_copy(update={"newborn": newborn(uuid4().hex[:10])})
    for found in (send(tmp_path, url, first, moved), command(tmp_path, "check", moved, first)):
        assert found.exit_code == 1
        assert "is of another newborn (no identifier in common)" in found.output
    with FhirClient(url) as client:
        assert rate(client, first) == (44, "final")


def test_one_id_for_two_contents_is_refused(url: str, tmp_path: Path) -> None:
    key = uuid4().hex[:10]
    for found in (
        send(tmp_path, url, exam(key), exam(key, rate=66)),
        command(tmp_path, "check", exam(key), exam(key, rate=66)),
    ):
        assert found.exit_code == 1
        assert "is given twice, with other content" in found.output
    assert send(tmp_path, url, exam(key), exam(key)).exit_code == 0
    with FhirClient(url) as client:
        assert rate(client, exam(key)) == (44, "final")


def test_check_tells_of_chains(tmp_path: Path) -> None:
    first, second, third = chain("told")
    assert command(tmp_path, "check", third, second, first).exit_code == 0
    alone = command(tmp_path, "check", third)
    assert alone.exit_code == 0
    assert f"amends {second.details.id}, which is not among these" in alone.output
    circle = command(tmp_path, "check", naming(second, third), third)
    assert circle.exit_code == 1
    assert "which in the end amends" in circle.output
    back = retracted(first)
    after = command(tmp_path, "check", first, back, naming(second, back))
    assert after.exit_code == 1
    assert "takes the exam back for good" in after.output


def test_the_root_is_found_among_the_versions() -> None:
    first, second, third = chain("root")
    chains = Chains([third, second, first])
    assert [chains.root(one) for one in (first, second, third)] == [first.details.id] * 3
    rooted = chains.rooted(third)
    assert (rooted.details.amends, rooted.details.first) == (second.details.id, first.details.id)
    assert Chains([third]).root(third) is None
    assert Chains([third], {second.details.id: KnownVersion(first.details.id, 1)}.get).root(third) == first.details.id
    assert Chains([rooted]).root(rooted) == first.details.id


def four(key: str) -> list[Exam]:
    """First recorded; two amendments of it, told apart by when they were recorded; and one of the later of these."""
    first = exam(key)
    two = amended(first, 3, rate=56)
    return [first, amended(first, 2, rate=52), two, naming(amended(first, 4, rate=60), two)]


def recorded(one: Exam, hours: int | None) -> Exam:
    made = None if hours is None else STARTED + timedelta(hours=hours)
    return one.model_copy(update={"details": one.details.model_copy(update={"recorded": made})})


@pytest.mark.parametrize("order", list(permutations(range(4))), ids=str)
def test_four_versions_one_by_one_from_two_machines_end_the_same(
    order: tuple[int, ...], url: str, tmp_path: Path, catalogue: Catalogue
) -> None:
    """Each handed over alone, in turn from two outboxes, and again where it was held for what was missing."""
    versions = four(uuid4().hex[:10])
    chains, left = Chains(versions), list(order)
    with FhirClient(url) as client:
        transport = FhirTransport(client)
        for _ in range(2):
            for place, number in enumerate(tuple(left)):
                with Outbox(tmp_path / f"{place % 2}.db") as outbox:
                    outbox.put(transport.target, message_of(chains.rooted(versions[number]), catalogue), again=True)
                    if not Sender(outbox, transport, parallel=1).run().held:
                        left.remove(number)
        assert not left
        assert rate(client, versions[0]) == (60, "amended")
        [report] = held_report(client, transaction_of(versions[0], catalogue))
        assert [one["value"] for one in report["identifier"]] == [versions[0].details.id, versions[3].details.id]
        assert report["issued"] == versions[3].details.made.isoformat()


def test_two_amendments_that_nothing_tells_apart_are_refused(url: str, tmp_path: Path) -> None:
    first = exam(uuid4().hex[:10])
    one, two = (recorded(amended(first, n, rate=rate), None) for n, rate in ((2, 52), (3, 56)))
    said = f"{one.details.id} and {two.details.id} are both amendments of one exam"
    for name, args in (
        ("check", ()),
        ("convert", ("--out", str(tmp_path / "b.ndjson"))),
        ("extract", ("--out", str(tmp_path / "x"))),
    ):
        found = command(tmp_path, name, first, one, two, args=args)
        assert found.exit_code == 1
        assert said in found.output
        assert "recorded in both, when it was made" in found.output
    found = send(tmp_path, url, first, one, two)
    assert found.exit_code == 1
    assert said in found.output
    other = f"{two.details.id} and {one.details.id} are both amendments of one exam"
    assert send(tmp_path, url, one).exit_code == 0
    for outbox in ("outbox.db", "another.db"):
        found = send(tmp_path, url, two, outbox=outbox)
        assert found.exit_code == 1
        assert other in found.output
    with FhirClient(url) as client:
        assert rate(client, first) == (52, "amended")


def test_what_the_time_says_is_looked_at(tmp_path: Path) -> None:
    first, one, two, three = four("times")
    assert command(tmp_path, "check", three, two, one, first).exit_code == 0
    found = command(tmp_path, "check", first, two, recorded(three, 1))
    assert found.exit_code == 1
    assert "which was not recorded before it" in found.output
    found = command(tmp_path, "check", recorded(one, -1))
    assert found.exit_code == 1
    assert "recorded before the exam was done" in found.output


@pytest.mark.parametrize("hours", [5, 3], ids=["later", "at the very second"])
@pytest.mark.parametrize("known", ["in one run", "by the outbox", "by the server", "nowhere said when"])
def test_what_was_not_recorded_before_the_exam_was_taken_back_is_held(
    known: str, hours: int, url: str, tmp_path: Path
) -> None:
    """It is no older version, and not dropped without a word: a person says which of the two is meant."""
    first = exam(uuid4().hex[:10])
    back, late = recorded(retracted(first), 3), recorded(amended(first), hours)
    if known == "nowhere said when":
        back = retracted(first)
    if known == "in one run":
        told = command(tmp_path, "check", first, back, late)
        assert (told.exit_code, "had taken the exam back for good" in told.output) == (1, True), told.output
        sent = send(tmp_path, url, first, back, late)
    else:
        assert send(tmp_path, url, first, back).exit_code == 0
        sent = send(tmp_path, url, late, outbox="another.db" if known == "by the server" else "outbox.db")
    held = known != "nowhere said when"
    assert (sent.exit_code, "had taken the exam back for good" in sent.output) == (int(held), held), sent.output
    with FhirClient(url) as client:
        assert set(statuses(observations(client, first)).values()) == {"entered-in-error"}


def test_what_was_recorded_before_the_exam_was_taken_back_is_only_late(url: str, tmp_path: Path) -> None:
    first = exam(uuid4().hex[:10])
    back, late = recorded(retracted(first), 5), recorded(amended(first), 3)
    assert send(tmp_path, url, first, back).exit_code == 0
    for outbox in ("outbox.db", "another.db"):
        sent = send(tmp_path, url, late, outbox=outbox)
        assert (sent.exit_code, "1 superseded" in sent.output) == (0, True), sent.output
