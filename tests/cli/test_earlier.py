"""What changed since earlier exams of the same newborn: from files, and from what a FHIR server holds."""

from __future__ import annotations

import json
from pathlib import Path

from click.testing import CliRunner, Result

from adapter.catalogue import load_catalogue
from adapter.cli import cli
from adapter.fhir import to_bundle
from adapter.read import read_captures
from adapter.read.bundle import from_bundle
from adapter.sandbox import Store, running
from adapter.send import FhirClient, fetch_exams_of
from commands import ROOT

CAPTURES = ROOT / "examples/captures"
FIRST, SECOND = CAPTURES / "d07-1-boy-palate-part-seen.json", CAPTURES / "d07-2-boy-cleft-soft-palate.json"
OTHER = CAPTURES / "d05-boy-weak-femorals-failed-screen.json"
CATALOGUE = load_catalogue()
NEW = "new: Palate, hard and soft: Cleft of the soft palate (inspection) (not examined before)"


def check(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, ["check", *map(str, arguments)])


def test_an_earlier_file_says_what_is_new_resolved_and_how_the_weight_went() -> None:
    done = check(SECOND, "--earlier", FIRST)
    assert done.exit_code == 0, done.output
    assert NEW in done.output
    assert "resolved: Respiratory rate: 46 /min (was: 64 /min)" in done.output
    # 3060 to 2990 g: -70 g, -2.3 % (arithmetic)
    assert "2990 g, -70 g" in done.output
    assert "-2.3 % since the first" in done.output


def test_the_same_as_data() -> None:
    done = check(SECOND, "--earlier", FIRST, "--format", "json")
    (exam,) = json.loads(done.output)
    kinds = {(change["kind"], change["item"]) for change in exam["since_earlier"]["changes"]}
    assert ("new", "palate") in kinds
    assert all(change["since"] in ("demo-d07-1", None) for change in exam["since_earlier"]["changes"])


def test_exams_of_another_newborn_are_never_compared_with() -> None:
    done = check(SECOND, "--earlier", OTHER)
    assert "no earlier exam of this newborn to compare with" in done.output


def test_an_earlier_file_that_is_refused_is_not_compared_with() -> None:
    done = check(SECOND, "--earlier", ROOT / "examples/wrong/d10-v1-birth-weight-in-kg.json")
    assert done.exit_code == 2
    assert "cannot be compared with" in done.output


def test_a_server_gives_the_earlier_exams_and_a_second_sending_changes_nothing() -> None:
    (reading,) = read_captures(FIRST, CATALOGUE)
    assert reading.exam is not None
    bundle = to_bundle(reading.exam, CATALOGUE)
    with running(Store(None)) as url, FhirClient(url) as client:
        first, second = client.transaction(bundle), client.transaction(bundle)
        assert {outcome.status for outcome in first} == {201}
        assert {outcome.status for outcome in second} == {200}
        (request,) = client.search("CommunicationRequest", {"identifier": f"{_tells()}|demo-d07-1/next-round"})
        assert request["meta"]["versionId"] == "1"
        newborn = reading.exam.newborn.identifiers[0]
        assert [from_bundle(b, CATALOGUE) for b in fetch_exams_of(client, CATALOGUE, newborn)] == [[reading.exam]]
        done = check(SECOND, "--earlier-from", url)
        assert done.exit_code == 0, done.output
        assert NEW in done.output
        unknown = check(OTHER, "--earlier-from", url)
        assert "no earlier exam of this newborn to compare with" in unknown.output


def _tells() -> str:
    return CATALOGUE.identifier_system("tell")


def test_a_server_that_is_not_there_is_exit_3() -> None:
    assert check(SECOND, "--earlier-from", "http://127.0.0.1:9/fhir").exit_code == 3
    assert check(SECOND, "--earlier-from", "ftp://example.org").exit_code == 2


def test_two_newborns_under_one_number_are_doubted(tmp_path: Path) -> None:
    """Among the files, and between a file and an earlier one: no server is needed to see a number mistyped."""
    record = json.loads(FIRST.read_text())
    mixed = tmp_path / "mixed.json"

    def doubts(*arguments: str | Path, **newborn: object) -> list[str]:
        exam = {**record["exam"], "id": "mixed"}
        mixed.write_text(json.dumps({**record, "exam": exam, "newborn": {**record["newborn"], **newborn}}))
        done = check(*arguments, "--format", "json")
        assert done.exit_code == 0, done.output
        found = [one for read in json.loads(done.stdout) for one in read["problems"]]
        return [one["what"].partition(" differ in: ")[2] for one in found if one["rule"] == "newborns-differ"]

    girl = {"sex": "female", "birth_time": "2026-08-01T06:15:00+02:00"}
    assert doubts(FIRST, mixed, **girl) == ["sex, time of birth"] * 2
    assert doubts(mixed, "--earlier", FIRST, **girl) == ["sex, time of birth"]
    assert doubts(FIRST, mixed, sex="unknown") == []
    assert doubts(FIRST, mixed, **girl, identifiers=[{"system": "urn:oid:2.999.1", "value": "other"}]) == []
