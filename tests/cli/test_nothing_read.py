"""Nothing read is no success, whatever the command and whatever held the nothing; and which setting counts."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from adapter.cli import cli

PLAN = Path(__file__).parents[2] / "examples" / "plans" / "births_pounds_weeks.yaml"


@pytest.mark.parametrize(
    "command",
    [
        ["check"],
        ["check", "--format", "json"],
        ["convert"],
        ["validate"],
        ["validate", "--fail-on", "never"],
        ["extract", "--out", "extract"],
        ["send", "--to", "http://127.0.0.1:9/fhir"],
        ["send", "--to", "http://127.0.0.1:9/fhir", "--dry-run"],
    ],
    ids=" ".join,
)
def test_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: list[str]) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "empty").mkdir()
    found = CliRunner().invoke(cli, [*command, "empty"])
    assert found.exit_code == 1, found.output
    assert "Nothing was read" in found.stderr


def test_a_table_that_is_only_a_header(tmp_path: Path) -> None:
    (tmp_path / "births.csv").write_text("rownames,sex,weeks,weight\n", encoding="utf-8")
    for command in ("check", "convert"):
        found = CliRunner().invoke(cli, [command, "--columns", str(PLAN), str(tmp_path / "births.csv")])
        assert (found.exit_code, "Nothing was read" in found.stderr) == (1, True)


def test_a_plan_with_a_mistake_reads_nothing(tmp_path: Path) -> None:
    (tmp_path / "births.csv").write_text("rownames,sex,weeks,weight\n1,female,39,7\n", encoding="utf-8")
    (tmp_path / "plan.yaml").write_text(PLAN.read_text(encoding="utf-8").replace("unit: lb", "unit: cm"), "utf-8")
    for command in ("check", "convert"):
        plan, table = str(tmp_path / "plan.yaml"), str(tmp_path / "births.csv")
        found = CliRunner().invoke(cli, [command, "--columns", plan, table])
        assert (found.exit_code, "nothing was read" in found.stderr) == (2, True)


@pytest.mark.parametrize(
    ("command", "variable"),
    [("check", "SITE"), ("send", "SITE"), ("send", "TARGET"), ("send", "OUTBOX"), ("watch", "TARGET")],
)
def test_the_help_shows_the_environment(command: str, variable: str) -> None:
    assert f"NEWBORN_ADAPTER_{variable}" in "".join(CliRunner().invoke(cli, [command, "--help"]).output.split())


def test_an_option_counts_before_the_environment(tmp_path: Path) -> None:
    (tmp_path / "site").mkdir()
    gone = {"NEWBORN_ADAPTER_SITE": str(tmp_path / "gone")}
    assert CliRunner().invoke(cli, ["columns", "schema", "--site", str(tmp_path / "site")], env=gone).exit_code == 0
    assert CliRunner().invoke(cli, ["columns", "schema"], env=gone).exit_code == 2
