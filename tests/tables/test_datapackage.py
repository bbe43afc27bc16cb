"""The Data Package of the tables, judged by the reference implementation (``frictionless``, of Open Knowledge)."""

from __future__ import annotations

from pathlib import Path

import pyarrow.parquet
import pytest
from frictionless import Package

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.fhir.json import dumps, loads
from adapter.write.tables import TABLES
from tests.extracts import written_at_once


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, every: list[Exam], catalogue: Catalogue) -> Path:
    made = tmp_path_factory.mktemp("package")
    exams = [exam for exam in every if exam.details.status is not Status.ENTERED_IN_ERROR]
    written_at_once(exams[:3], catalogue, made, ("tables",))
    return made


def test_every_cell_has_its_type_and_every_key_leads_somewhere(folder: Path) -> None:
    report = Package(str(folder / "datapackage.json")).validate()
    errors = [(t.name, e.type, e.message) for t in report.tasks for e in t.errors][:5]
    assert (report.valid, errors) == (True, [])
    twice = [path.stem for path in folder.glob("*_for_spss.csv")]
    assert {task.name: task.stats["rows"] > 0 for task in report.tasks} == dict.fromkeys([*TABLES, *twice], True)


def test_a_wrong_cell_or_a_lost_row_is_found(folder: Path, tmp_path: Path) -> None:
    for path in folder.iterdir():
        (tmp_path / path.name).write_bytes(path.read_bytes())
    package = loads((folder / "datapackage.json").read_bytes())
    package["resources"] = [one for one in package["resources"] if one["name"] in ("exams", "findings", "newborns")]
    (tmp_path / "datapackage.json").write_bytes(dumps(package))
    findings = (tmp_path / "findings.csv").read_text("utf-8").replace(",examined,", ",looked at,", 1)
    (tmp_path / "findings.csv").write_text(findings, "utf-8")
    exams = (tmp_path / "exams.csv").read_text("utf-8").splitlines(keepends=True)
    (tmp_path / "exams.csv").write_text("".join(exams[:-1]), "utf-8")
    report = Package(str(tmp_path / "datapackage.json")).validate()
    assert {e.type for t in report.tasks for e in t.errors} >= {"constraint-error", "foreign-key"}


def test_parquet_has_the_same_columns(every: list[Exam], catalogue: Catalogue, tmp_path: Path) -> None:
    written_at_once(every[:2], catalogue, tmp_path, ("tables",), "parquet")
    package = loads((tmp_path / "datapackage.json").read_bytes())
    for resource in package["resources"]:
        names = pyarrow.parquet.read_schema(tmp_path / resource["path"]).names
        assert [field["name"] for field in resource["schema"]["fields"]] == names
        assert {*resource["schema"]["primaryKey"]} <= set(names)
