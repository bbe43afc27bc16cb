"""``tables.ipynb``: a notebook that opens the tables of an extract with pandas, each column with its type.

Source: the notebook format 4.5 (nbformat.readthedocs.io, The Notebook file format): a cell has an id, a type,
metadata, and its source as text; a code cell its outputs and execution count, none before it is run.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from adapter.fhir.json import dumps
from adapter.write.tables.sqlite import DATABASE

NOTEBOOK = "tables.ipynb"

_ABOUT = """\
# Newborn examinations

The tables of this extract, each column with the type that `datapackage.json` gives it. An empty cell is never a
normal finding: the columns that end in `_status` say whether an item was examined. Findings are as recorded, judged
by the site's ranges and rules: not diagnoses."""
_OPEN = """\
import json
from pathlib import Path

import pandas as pd

FOLDER = Path(".")
PACKAGE = json.loads((FOLDER / "datapackage.json").read_text("utf-8"))
SCHEMAS = {one["name"]: one["schema"] for one in PACKAGE["resources"] if "copyOf" not in one}
TYPES = {"string": "string", "integer": "Int64", "number": "Float64"}"""
_TYPED = """\


def table(name):
    frame = raw(name)
    typed = {}
    for field in SCHEMAS[name]["fields"]:
        cells = frame[field["name"]]
        if field["type"] in ("datetime", "date"):
            typed[field["name"]] = pd.to_datetime(cells, utc=True, format="ISO8601")
        elif field["type"] == "boolean":
            typed[field["name"]] = cells.map({"true": True, "false": False, 1: True, 0: False}).astype("boolean")
        else:
            typed[field["name"]] = cells.astype(TYPES[field["type"]])
    return pd.DataFrame(typed)"""
_CSV = """\
GUARD = r"(^|[;,\\t\\r\\n])'"  # an apostrophe stands before what a spreadsheet could take for a formula


def raw(name):
    frame = pd.read_csv(FOLDER / f"{name}.csv", dtype="string", keep_default_na=False, na_values=[""])
    for field in SCHEMAS[name]["fields"]:
        if field["type"] == "string" and "constraints" not in field:
            frame[field["name"]] = frame[field["name"]].str.replace(GUARD, r"\\1", regex=True)
    return frame"""
_SQLITE = """\
import sqlite3
from contextlib import closing


def raw(name):
    with closing(sqlite3.connect(FOLDER / "tables.sqlite")) as base:
        return pd.read_sql_query(f'select * from "{name}"', base)"""
_PARQUET = """\
def table(name):
    single = FOLDER / f"{name}.parquet"  # a large table is a folder of parts
    return pd.read_parquet(single if single.exists() else FOLDER / name, dtype_backend="pyarrow")"""
_ALL = """\
tables = {name: table(name) for name in SCHEMAS}
pd.DataFrame({name: frame.shape for name, frame in tables.items()}, index=["rows", "columns"]).T"""
_COLUMNS = """\
# What each column is: its label, unit and codes
columns = pd.concat({name: pd.DataFrame(schema["fields"]) for name, schema in SCHEMAS.items()})
columns[["name", "type", "title", "description"]]"""
_STATUSES = """\
# Of each item the share examined, not examined, not recorded, not expected, computed: the denominators of any count
status = tables["exams"].filter(regex="_status$").drop(columns="exam_status")
kinds = status.apply(lambda cells: cells.astype("string").str.split(":").str[0])
pd.DataFrame({one: cells.value_counts(normalize=True) for one, cells in kinds.items()}).T"""


def write_notebook(folder: Path, exams: bool) -> None:
    """The notebook for the tables that lie in a folder, the wide one of ``exams`` among them or not."""
    cells = [_cell(number, kind, source) for number, (kind, source) in enumerate(_cells(folder, exams), 1)]
    kernel = {"display_name": "Python 3", "language": "python", "name": "python3"}
    metadata = {"kernelspec": kernel, "language_info": {"name": "python"}}
    notebook = {"cells": cells, "metadata": metadata, "nbformat": 4, "nbformat_minor": 5}
    (folder / NOTEBOOK).write_bytes(dumps(notebook, pretty=True) + b"\n")


def _cells(folder: Path, exams: bool) -> Iterator[tuple[str, str]]:
    yield "markdown", _ABOUT
    yield "code", _OPEN
    if (folder / DATABASE).is_file():
        yield "code", _SQLITE + _TYPED
    elif any((*folder.glob("*.parquet"), *folder.glob("*/part-*.parquet"))):
        yield "code", _PARQUET
    else:
        yield "code", _CSV + _TYPED
    yield "code", _ALL
    yield "code", _COLUMNS
    if exams:
        yield "code", _STATUSES


def _cell(number: int, kind: str, source: str) -> dict[str, Any]:
    made: dict[str, Any] = {"cell_type": kind, "id": f"cell-{number}", "metadata": {}, "source": source}
    return made if kind == "markdown" else {**made, "execution_count": None, "outputs": []}
