"""The published JSON Schema of the capture record against an independent validator (jsonschema-rs, draft 2020-12)."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import jsonschema_rs
import pytest

from adapter.exam import record_schema

ROOT = Path(__file__).parents[2]
WRONG = csv.DictReader((ROOT / "tests/wrong/index.csv").read_text(encoding="utf-8").splitlines())
SHAPES = [row["file"] for row in WRONG if row["rule"] == "unknown-field" and row["file"].endswith(".json")]


@pytest.fixture(scope="module")
def schema() -> jsonschema_rs.Validator:
    return jsonschema_rs.validator_for(record_schema())


@pytest.mark.parametrize("path", sorted((ROOT / "examples/captures").iterdir()), ids=lambda path: path.stem)
def test_every_example_fits(path: Path, schema: jsonschema_rs.Validator) -> None:
    assert [error.message for error in schema.iter_errors(json.loads(path.read_bytes()))] == []


def test_several_answers_fit(schema: jsonschema_rs.Validator) -> None:
    exam = json.loads(next((ROOT / "examples/captures").iterdir()).read_bytes())
    exam["findings"] = [{"item": "benign_skin_findings", "value": ["milia", "nevus_simplex"]}]
    assert schema.is_valid(exam)


@pytest.mark.parametrize("name", SHAPES)
def test_an_unknown_field_does_not(name: str, schema: jsonschema_rs.Validator) -> None:
    assert not schema.is_valid(json.loads((ROOT / "tests/wrong" / name).read_bytes()))
