"""OMOP rows under the keys of a real server; left out where there is none.

The tables are those of the published field table, their keys as :mod:`tests.omop.in_postgres` says.
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue
from adapter.derive.every_use import every_exam
from adapter.write.omop import OmopFiles, load_concepts
from tests.omop.in_postgres import TABLES, loaded, newest, server


def test_every_key_holds_in_postgresql(catalogue: Catalogue, tmp_path: Path) -> None:
    tools = newest()
    if tools is None:
        pytest.skip("there is no PostgreSQL server here (Debian's postgresql)")
    files = OmopFiles(tmp_path, catalogue, load_concepts(), notes=True)
    for exam in every_exam(catalogue)[::4]:
        files.add(exam)
    files.close()
    with server(tools) as psql:
        told = dict(line.split("|") for line in loaded(psql, tmp_path).splitlines())
        for name in TABLES:
            with (tmp_path / f"{name}.csv").open(encoding="utf-8", newline="") as file:
                assert int(told[name]) == sum(1 for _ in csv.DictReader(file)) > 0, name
        assert int(told["foreign keys"]) > 50
        for wrong in ("person_id = 0", "visit_occurrence_id = 0", "measurement_concept_id = 1"):
            with pytest.raises(SystemExit, match="foreign key"):
                psql(f"update measurement set {wrong};")
        with pytest.raises(SystemExit, match="duplicate key"):
            psql("update measurement set measurement_id = 1;")
