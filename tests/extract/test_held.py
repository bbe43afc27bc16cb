"""Which extracts held an exam that was retracted after they were made."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner, Result

from adapter.cli import cli

CAPTURES = Path(__file__).parents[2] / "examples/captures"
KEY = "an invented key for tests only, 32 bytes at least"
ONE = "d01-well-term-girl.json"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(cli, list(map(str, arguments)), env={"STUDY_KEY": KEY})


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    made = tmp_path_factory.mktemp("extracts")
    policy = ("--deidentify", "safe-harbor", "--key-env", "STUDY_KEY", "--rare", "tell")
    for name, given, more in (
        ("named", CAPTURES, ()),
        ("released", CAPTURES, policy),
        ("without", next(CAPTURES.glob("d05*")), ()),
    ):
        done = run("extract", given, "--out", made / name, "--table", "exams", *more)
        assert done.exit_code == 0, done.output
    return {path.name: path for path in made.iterdir() if path.is_dir()}


def test_a_retraction_names_the_extracts_that_held_its_exam(folders: dict[str, Path], tmp_path: Path) -> None:
    record = json.loads((CAPTURES / ONE).read_text("utf-8"))
    first = record["exam"]["id"]
    record["exam"] |= {"id": "gone", "status": "entered-in-error", "amends": first, "reason": "wrong infant"}
    (tmp_path / "retraction.json").write_text(json.dumps(record), "utf-8")
    every = [word for folder in folders.values() for word in ("--in", folder)]
    for named in (first, tmp_path / "retraction.json"):
        done = run("held", named, *every, "--key-env", "STUDY_KEY")
        assert done.exit_code == 1
        said = done.output.splitlines()
        assert len(said) == 2
        pseudonyms = set(pd.read_csv(folders["released"] / "exams.csv")["exam_root"])
        assert any(line == f"{folders['named']} holds {first}" for line in said)
        assert any(line.startswith(f"{folders['released']} holds {first} as x") for line in said)
        assert next(line.split()[-1] for line in said if " as " in line) in pseudonyms
    without_key = run("held", first, "--in", folders["released"])
    assert (without_key.exit_code, without_key.output) == (0, "None of them holds any of these exams.\n")


def test_an_amended_exam_is_found_by_its_first_id(folders: dict[str, Path]) -> None:
    done = run("held", "demo-d10", "--in", folders["named"])
    assert done.exit_code == 1


def test_what_is_no_extract_is_told(tmp_path: Path) -> None:
    done = run("held", "any", "--in", tmp_path)
    assert done.exit_code == 2
    assert "held.csv" in done.output
