"""The JSON Schema of column plans: it takes every plan that the reader takes, and finds what an editor can find."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema_rs
import plans_of_datasets
import pytest
import yaml
from click.testing import CliRunner

from adapter.catalogue import load_catalogue
from adapter.cli import cli
from adapter.read.plan import load_plan, plan_schema

CATALOGUE = load_catalogue()
EXAMPLES = sorted((Path(__file__).parents[2] / "examples" / "plans").glob("*.yaml"))
SCHEMA = plan_schema(CATALOGUE)
VALIDATOR = jsonschema_rs.validator_for(SCHEMA)
DATASETS = [text for name, text in vars(plans_of_datasets).items() if name.isupper() and "{{" not in text]
WARD = next(path for path in EXAMPLES if path.name == "ward_sheet.yaml").read_text(encoding="utf-8")


def loaded(text: str) -> Any:
    """As an editor sees it: the keys of JSON are text, a map's ``1`` too."""
    return json.loads(json.dumps(yaml.safe_load(text)))


def test_the_schema_is_one() -> None:
    jsonschema_rs.meta.validate(SCHEMA)


@pytest.mark.parametrize("text", [*(path.read_text(encoding="utf-8") for path in EXAMPLES), *DATASETS])
def test_it_takes_every_plan_in_use(text: str) -> None:
    assert [str(error) for error in VALIDATOR.iter_errors(loaded(text))] == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("plan: 1", "plan: 2"),
        ("item: birth_weight", "item: birth_wieght"),
        ("sex: {column: Sex,", "sex: {colum: Sex,"),
        ("sex: {column: Sex,", "sex: {column: Sex, constant: male,"),
        ("{column: Born, format:", "{format:"),
        ("decimal: comma", "decimal: dot"),
        ("decimal: comma", "decimal: comma, header_row: 0"),
        ("    weeks: {column: Weeks}\n", ""),
        ("    weeks: {column: Weeks}\n", "    weeks: {column: Weeks}\n    weeks_and_days: {column: Weeks}\n"),
        ("when_missing: equipment_absent", "when_missing: lost"),
        ("key: [Record]", "key: Record"),
        ("newborn:\n", "baby:\n"),
    ],
)
def test_it_finds_what_is_wrong_as_the_reader_does(tmp_path: Path, old: str, new: str) -> None:
    assert old in WARD
    broken = tmp_path / "plan.yaml"
    broken.write_text(WARD.replace(old, new), encoding="utf-8")
    assert not VALIDATOR.is_valid(loaded(broken.read_text(encoding="utf-8")))
    assert load_plan(broken, CATALOGUE)[1]


def test_the_commands(tmp_path: Path) -> None:
    printed: Any = json.loads(CliRunner().invoke(cli, ["columns", "schema"]).stdout)
    assert printed == SCHEMA
    good = CliRunner().invoke(cli, ["columns", "check", *map(str, EXAMPLES)])
    assert (good.exit_code, good.stdout.count("can be used")) == (0, len(EXAMPLES))
    (tmp_path / "plan.yaml").write_text(WARD.replace("unit: Cel", "unit: cm"), encoding="utf-8")
    bad = CliRunner().invoke(cli, ["columns", "check", str(tmp_path / "plan.yaml"), str(EXAMPLES[0])])
    assert bad.exit_code == 1
    assert "'cm' is not a unit of temperature" in bad.stderr
    assert "can be used" in bad.stdout
    gone = CliRunner().invoke(cli, ["columns", "check", str(tmp_path / "gone.yaml")])
    assert gone.exit_code == 1
    assert "cannot be read" in gone.stderr
