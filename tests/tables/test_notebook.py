"""The notebook of an extract: its cells run as they stand, and give the rows that went in.

The facts of the format are those of its JSON schema, version 4.5 (checked by hand with ``nbformat``, too).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from table_rows import rows

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import loads
from adapter.write.tables import TABLES, Type
from adapter.write.tables.notebook import NOTEBOOK
from tests.extracts import written_at_once


@pytest.mark.parametrize("encoding", ["csv", "sqlite", "parquet"])
def test_its_cells_open_every_table_with_its_types(
    encoding: str, every: list[Exam], catalogue: Catalogue, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    exams = every[1:3]
    written_at_once(exams, catalogue, tmp_path, ("tables",), encoding)
    notebook = loads((tmp_path / NOTEBOOK).read_bytes())
    assert notebook.keys() == {"cells", "metadata", "nbformat", "nbformat_minor"}
    assert (notebook["nbformat"], notebook["nbformat_minor"]) == (4, 5)
    ids = [cell["id"] for cell in notebook["cells"]]
    assert len(set(ids)) == len(ids)
    assert all(re.fullmatch(r"[a-zA-Z0-9_-]{1,64}", one) for one in ids)
    monkeypatch.chdir(tmp_path)
    found: dict[str, Any] = {}
    for cell in notebook["cells"]:
        if cell["cell_type"] == "markdown":
            assert cell.keys() == {"cell_type", "id", "metadata", "source"}
            continue
        assert (cell["execution_count"], cell["outputs"]) == (None, [])
        exec(compile(cell["source"], cell["id"], "exec"), found)  # what a reader of the notebook does
    assert {name: frame.shape[1] for name, frame in found["tables"].items()} == {
        name: len(table.columns(catalogue)) for name, table in TABLES.items()
    }
    frame, wanted = found["tables"]["findings"], rows("findings", exams, catalogue)
    if encoding == "parquet":  # a large table is a folder of parts
        (tmp_path / "findings").mkdir()
        (tmp_path / "findings.parquet").rename(tmp_path / "findings" / "part-00000.parquet")
        assert len(found["table"]("findings")) == len(frame)
    for column in TABLES["findings"].columns(catalogue):
        cells = frame[column.name].astype(object).where(frame[column.name].notna(), None).tolist()
        make = float if column.type is Type.DECIMAL else lambda value: value
        assert [None if one is None else make(one) for one in cells] == [
            None if one[column.name] is None else make(one[column.name]) for one in wanted
        ], column.name
