"""A released folder, file by file: each is known and listed, none holds anything of a newborn who was left out, and a
table that stands twice says twice the same. Everything is invented."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from pathlib import Path

import pyarrow.parquet
import pytest
from test_release import KEY, exams_of, newborn, written

from adapter.catalogue import Catalogue
from adapter.catalogue.files import mappings
from adapter.derive.every_use import every_exam
from adapter.run import run
from adapter.run.extract import Extract

pytestmark = pytest.mark.usefixtures("unproved")
FORMS = ("tables", "ndjson", "omop", "phenopackets", "views")
KNOWN = re.compile(
    r"(exams|findings|components|newborns|tells|tellings)(_for_spss)?\.(csv|parquet)|tables\.(sqlite|ipynb)"
    r"|datapackage\.json|dictionary\.(csv|html)|labels\.(R|do|sps)|proof/\w+\.(sql|csv)|held\.csv"
    r"|release\.html|deidentification\.json|rare_combinations\.csv|SHA256SUMS"
    r"|fhir/[\w.-]+\.(ndjson|json)|omop/\w+\.(csv|parquet)|phenopackets/phenopackets\.ndjson|views/\w+\.(json|csv)"
)
TEXT = "Said of {}:\nin two lines, invented"


@pytest.mark.parametrize("encoding", ["csv", "parquet", "sqlite"])
def test_what_leaves_is_listed_and_holds_nobody_who_was_left_out(
    encoding: str, catalogue: Catalogue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STUDY_KEY", KEY)
    exams = exams_of(every_exam(catalogue)[0], [newborn(n, weeks=24 if n == 3 else 40) for n in range(12)])
    given = [
        exam.model_copy(update={"findings": (exam.findings[0].model_copy(update={"note": TEXT.format(f"no-{n}-")}),)})
        for n, exam in enumerate(exams)
    ]
    policy = tmp_path / "policy.yaml"
    said = (mappings() / "deidentification/safe-harbor.yaml").read_text("utf-8")
    said = re.sub(r"(?m)^(free_text|k):.*\n", "", said)
    policy.write_text(f"{said}\nfree_text: keep\nk: 3\n")
    out = tmp_path / "out"
    work = Extract(FORMS, encoding=encoding, policy=str(policy), key_env="STUDY_KEY", notes=True)
    run(work, [written(tmp_path, given)], out, jobs=1)
    names = {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()}
    assert [name for name in names if not KNOWN.fullmatch(name)] == []
    sums = dict(reversed(line.split("  ")) for line in (out / "SHA256SUMS").read_text("utf-8").splitlines())
    assert sums == {name: hashlib.sha256((out / name).read_bytes()).hexdigest() for name in names - {"SHA256SUMS"}}
    found = {name: _text(out / name) for name in names}
    assert [name for name, text in found.items() if "no-3-" in text] == []
    assert len([name for name, text in found.items() if "no-5-" in text]) >= 3  # it would be seen
    for name, text in found.items():
        assert not re.search(r"\bexam-\d", text), name
        assert "hospital.invalid/mrn" not in text, name
    if encoding == "csv":
        _same_rows(out)


def _text(path: Path) -> str:
    if path.suffix == ".parquet":
        return str(pyarrow.parquet.read_table(path).to_pylist())
    return path.read_bytes().decode("utf-8", "replace")


def _same_rows(out: Path) -> None:
    """The attack reads one file of a table; the other one holds its rows."""
    package = json.loads((out / "datapackage.json").read_text("utf-8"))
    listed = {one["path"] for one in package["resources"]}
    assert {path.name for path in out.glob("*_for_spss.csv")} == {"findings_for_spss.csv"} < listed
    rows = [
        [
            list(map(_on_one_line, row))
            for row in csv.reader(io.StringIO((out / name).read_bytes().decode(), newline=""))
        ]
        for name in ("findings.csv", "findings_for_spss.csv")
    ]
    assert rows[0] == rows[1]
    assert len(rows[0]) > 11


def _on_one_line(cell: str) -> str:
    return re.sub(r"\r\n|\r|\n", " ", cell)
