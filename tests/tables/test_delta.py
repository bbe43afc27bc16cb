"""The example that makes Delta tables of an extract, read back by the reference library (``deltalake``); left out
where that is not installed."""

from __future__ import annotations

import runpy
from pathlib import Path

import pyarrow.parquet
import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.write.tables import TABLES
from tests.extracts import written_at_once

EXAMPLE = Path(__file__).parents[2] / "examples/delta/to_delta.py"


def test_delta_tables_have_the_rows_of_the_extract(every: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    deltalake = pytest.importorskip("deltalake")
    to_delta = runpy.run_path(str(EXAMPLE))["to_delta"]
    for version, exams in enumerate((every[1:3], every[1:4])):
        study = tmp_path / f"study-{version}"
        written_at_once(exams, catalogue, study, ("tables",), "parquet")
        (study / "findings").mkdir()
        (study / "findings.parquet").rename(study / "findings" / "part-00000.parquet")
        to_delta(study, str(tmp_path / "lake"))
    for version in (0, 1):
        for name in TABLES:
            parts = tmp_path / f"study-{version}" / ("findings" if name == "findings" else f"{name}.parquet")
            wanted = pyarrow.parquet.read_table(parts)
            table = deltalake.DeltaTable(str(tmp_path / "lake" / name), version=version)
            found = table.to_pyarrow_table()
            assert found.schema.remove_metadata().equals(wanted.schema.remove_metadata()), name
            assert found.to_pylist() == wanted.to_pylist(), name
            assert table.metadata().description == TABLES[name].label
