"""Files of tables as a researcher opens them: Parquet by duckdb and pandas, CSV alike, and the dictionary."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest
from table_rows import rows

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.write.tables import TABLES, Type
from adapter.write.tables.arrow import schema
from adapter.write.tables.dictionary import Counts
from adapter.write.tables.files import TableFiles
from adapter.write.tables.spreadsheet import guarded, read_rows

DUCK = {
    Type.TEXT: "VARCHAR",
    Type.INTEGER: "BIGINT",
    Type.DECIMAL: "DECIMAL(21,9)",
    Type.BOOLEAN: "BOOLEAN",
    Type.INSTANT: "TIMESTAMP WITH TIME ZONE",
}


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory, every: list[Exam], catalogue: Catalogue) -> dict[str, Path]:
    """The tables of every exam, as Parquet and as CSV."""
    made = {}
    for form in ("parquet", "csv"):
        folder = made[form] = tmp_path_factory.mktemp(form)
        files = TableFiles(folder, catalogue, form)
        for exam in every:
            files.add(exam)
        files.close()
    return made


Rows = list[dict[str, Any]]


@pytest.fixture(scope="module")
def expected(every: list[Exam], catalogue: Catalogue) -> Callable[[str], Rows]:
    """The rows that belong in a file: of newborns, each once."""

    @cache
    def made(name: str) -> Rows:
        found = rows(name, every, catalogue)
        key = TABLES[name].unique
        return list({one[key]: one for one in reversed(found)}.values())[::-1] if key else found

    return made


def plain(value: Any) -> Any:
    return None if value is None or value is pd.NA or value is pd.NaT or value != value else value


@pytest.mark.parametrize("name", TABLES)
def test_parquet_by_pandas_is_what_went_in(
    name: str, folders: dict[str, Path], expected: Callable[[str], Rows], catalogue: Catalogue
) -> None:
    frame = pd.read_parquet(folders["parquet"] / f"{name}.parquet", dtype_backend="pyarrow")
    wanted = expected(name)
    assert len(frame) == len(wanted)
    for column in TABLES[name].columns(catalogue):
        assert [plain(v) for v in frame[column.name]] == [one[column.name] for one in wanted], column.name


@pytest.mark.parametrize("name", TABLES)
def test_parquet_by_duckdb_has_the_types_and_the_values(
    name: str, folders: dict[str, Path], expected: Callable[[str], Rows], catalogue: Catalogue
) -> None:
    connection = duckdb.connect()
    connection.execute("SET TimeZone = 'UTC'")
    found = connection.sql(f"SELECT * FROM '{folders['parquet']}/{name}.parquet'")
    columns = TABLES[name].columns(catalogue)
    assert [str(t) for t in found.types] == [DUCK[column.type] for column in columns]
    wanted = expected(name)
    assert [dict(zip(found.columns, one, strict=True)) for one in found.fetchall()] == wanted


@pytest.mark.parametrize("name", TABLES)
def test_csv_gives_the_same(
    name: str, folders: dict[str, Path], expected: Callable[[str], Rows], catalogue: Catalogue
) -> None:
    columns = TABLES[name].columns(catalogue)
    wanted = expected(name)
    path = folders["csv"] / f"{name}.csv"
    assert [dict(zip((c.name for c in columns), one, strict=True)) for one in read_rows(path, columns)] == wanted
    frame = pd.read_csv(path, dtype=str, keep_default_na=False)
    types = {column.name: DUCK[column.type] for column in columns}
    connection = duckdb.connect()
    connection.execute("SET TimeZone = 'UTC'")
    by_duck = connection.read_csv(str(path), header=True, columns=types, quotechar='"', escapechar='"').fetchall()
    assert len(frame) == len(by_duck) == len(wanted)
    for place, column in enumerate(columns):
        if column.type is Type.TEXT:
            shown = [guarded(one[column.name] or "") for one in wanted]
            assert frame[column.name].tolist() == [text.replace("\r\n", "\n") for text in shown], column.name
        else:
            assert [one[place] for one in by_duck] == [one[column.name] for one in wanted], column.name


def test_parquet_says_what_its_columns_are(catalogue: Catalogue) -> None:
    about = schema(TABLES["exams"].columns(catalogue)).field("respiratory_rate").metadata
    assert about[b"unit"] == b"/min"
    assert b"loinc 9279-1" in about[b"codes"]


def test_the_dictionary_counts_what_pandas_counts(
    folders: dict[str, Path], every: list[Exam], catalogue: Catalogue
) -> None:
    told = pd.read_csv(folders["csv"] / "dictionary.csv", keep_default_na=False)
    assert told["table"].unique().tolist() == list(TABLES)
    for name in TABLES:
        frame = pd.read_parquet(folders["parquet"] / f"{name}.parquet")
        own = told[told["table"] == name].set_index("column")
        assert own.index.tolist() == frame.columns.tolist()
        assert own["filled"].astype(int).tolist() == frame.notna().sum().tolist()
        shares = own["share_missing"].astype(float)
        assert ((shares - frame.isna().mean()).abs() < 0.00005 + 1e-9).all()
    wide = pd.read_parquet(folders["parquet"] / "exams.parquet")
    kinds = wide["femoral_pulse_left_status"].str.partition(":")[0].replace("in_words", "examined")
    own = told[(told["table"] == "exams") & (told["column"] == "femoral_pulse_left")].iloc[0]
    for status in ("examined", "not_examined", "not_recorded", "not_expected", "computed"):
        assert float(own[f"share_{status}"]) == pytest.approx((kinds == status).mean(), abs=0.00005)
    assert "weak = " in own["allowed"]


def test_the_dictionary_page_stands_alone_and_escapes(folders: dict[str, Path]) -> None:
    page = (folders["parquet"] / "dictionary.html").read_text(encoding="utf-8")
    assert page.count("<table") == len(TABLES)
    assert "<script" not in page
    assert "http" not in page.replace("https://newborn-exam-adapter", "")
    assert "never a normal finding" in page
    told = pd.read_csv(folders["csv"] / "dictionary.csv", keep_default_na=False)
    several = told[told["several"] != ""]["type"].map("<td>{}, several with ; between</td>".format)
    assert page.count("several with ;") == sum(page.count(cell) for cell in set(several)) == len(several)


def test_counts_of_parts_add_up(every: list[Exam], catalogue: Catalogue) -> None:
    table = TABLES["exams"]
    columns = table.columns(catalogue)
    all_rows = [row for exam in every[::4] for row in table.rows(exam, catalogue)]
    whole, parts = Counts(), Counts()
    whole.see(all_rows, columns)
    for row in all_rows:
        part = Counts()
        part.see([row], columns)
        parts.add(part)
    assert (parts.rows, parts.filled) == (whole.rows, +whole.filled)
    assert {k: +v for k, v in parts.statuses.items()} == whole.statuses
    assert Counter(whole.statuses["palate_status"]).total() == len(all_rows)
