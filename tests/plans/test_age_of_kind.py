"""The commonest slip, the year of birth: whatever way an exam comes in, an age not of its kind is warned of."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from test_plans import CATALOGUE, EXAMPLES, HEADER, ROW, changed, only, ward

from adapter.cli import cli
from adapter.fhir.json import dumps
from adapter.forms import to_response
from adapter.read import to_json
from adapter.read.csv_writer import to_csv
from adapter.write import write


@pytest.mark.parametrize("form", ["json", "csv", "response", "bundle", "v2", "plan"])
@pytest.mark.parametrize("year", ["2025", "2026"])
def test_every_way_in_warns(form: str, year: str, tmp_path: Path) -> None:
    row = changed(Born=f"01.03.{year} 22.05")
    exam = only(ward(tmp_path, row))
    assert (row == ROW) is (year == "2026")
    named = {
        "json": ("one.json", to_json(exam)),
        "csv": ("one.csv", to_csv([exam]).encode()),
        "response": ("one.json", dumps(to_response(exam, CATALOGUE))),
        "bundle": ("one.json", write(exam, CATALOGUE, "transaction")),
        "v2": ("one.er7", write(exam, CATALOGUE, "v2")),
        "plan": ("sheet.csv", f"{HEADER}\n{row}\n".encode()),
    }
    name, data = named[form]
    (tmp_path / name).write_bytes(data)
    plan = ["--columns", str(EXAMPLES / "ward_sheet.yaml")] if form == "plan" else []
    done = CliRunner().invoke(cli, ["check", str(tmp_path / name), "--format", "json", *plan])
    [checked] = json.loads(done.stdout)
    assert checked["accepted"], checked["problems"]
    assert ("age-not-of-kind" in {p["rule"] for p in checked["problems"]}) is (year == "2025")
