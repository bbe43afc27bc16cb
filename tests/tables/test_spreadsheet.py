"""CSV that no spreadsheet takes for formulas.

Sources: RFC 4180 (quoting, CRLF); OWASP, "CSV Injection": cells that begin with =, +, -, @, tab or carriage return
are the risk, an apostrophe before them the remedy, and separators inside a cell may begin a new one.
"""

from __future__ import annotations

import csv
import re
from decimal import Decimal
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from table_rows import row

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Examiner, Identifier
from adapter.write.tables import Column, Type
from adapter.write.tables.column import joined, split
from adapter.write.tables.spreadsheet import CsvFile, guarded, read_rows, unguarded
from strategies import texts

RISKY = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"
hard = texts() | st.text(st.sampled_from("';,=+-@a1 \t\n\r\"\uff1d"), max_size=12)


@given(hard)
@example("=cmd|' /C calc'!A0")
@example("'=1")
@example("x;'=1")
@example("\t=1")
def test_guarding_is_undone_exactly(text: str) -> None:
    assert unguarded(guarded(text)) == text


@given(hard)
def test_no_cell_nor_part_of_one_begins_a_formula(text: str) -> None:
    shown = guarded(text)
    if re.fullmatch(r"-?\d+(\.\d+)?", text):
        assert shown == text
        return
    for part in re.split("[;,]", shown):
        assert not part or part[0] not in RISKY, (text, shown)


@pytest.mark.parametrize("text", ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "＝1+1"])
def test_formulas_are_told_apart_from_numbers(text: str) -> None:
    assert guarded(text) == f"'{text}" or guarded(text).startswith("'")
    assert guarded("-3.10") == "-3.10"
    assert guarded("born by the window") == "born by the window"


COLUMNS = (
    Column("text", Type.TEXT, "Text"),
    Column("number", Type.DECIMAL, "Number"),
    Column("count", Type.INTEGER, "Count"),
    Column("told", Type.BOOLEAN, "Told"),
)
row_values = st.tuples(
    st.none() | texts(),
    st.none() | st.integers(-(10**6), 10**6).map(lambda n: Decimal(n).scaleb(-2)),
    st.none() | st.integers(),
    st.none() | st.booleans(),
)


@given(st.lists(row_values, max_size=5))
def test_rows_read_back(tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[object, ...]]) -> None:
    path = tmp_path_factory.mktemp("csv") / "t.csv"
    file = CsvFile(path, COLUMNS)
    file.write(rows)  # type: ignore[arg-type]
    file.close()
    assert list(read_rows(path, COLUMNS)) == rows
    raw = path.read_bytes()
    assert raw.endswith(b"\r\n")
    raw.decode("utf-8")
    with path.open(encoding="utf-8", newline="") as opened:
        assert len(list(csv.reader(opened, strict=True))) == len(rows) + 1


def test_pandas_reads_numbers_as_numbers(tmp_path: Path) -> None:
    file = CsvFile(tmp_path / "t.csv", COLUMNS)
    file.write([("a", Decimal("-3.10"), 2, True), (None, None, None, None)])
    file.close()
    frame = pd.read_csv(tmp_path / "t.csv")
    assert frame["number"].dtype == "float64"
    assert frame["number"][0] == -3.1
    assert frame["text"].isna().tolist() == [False, True]


def test_other_columns_are_refused(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("a,b\r\n1,2\r\n", encoding="utf-8")
    with pytest.raises(ValueError, match="other columns"):
        list(read_rows(tmp_path / "t.csv", COLUMNS))


@given(st.lists(st.text(st.sampled_from("a;\\'=+ \t"), min_size=1, max_size=5), max_size=4))
@example(["Invented; N.", "\\", ";", "=1+1"])
def test_several_values_in_a_cell_come_back_as_they_were(values: list[str]) -> None:
    assert split(unguarded(guarded(joined(values)))) == values


def test_the_semicolon_of_a_name_or_an_identifier_does_not_end_it(every: list[Exam], catalogue: Catalogue) -> None:
    exam = every[0]
    people = tuple(Examiner(name=name, role="nurse") for name in ("N.; Invented", "b\\"))
    known = tuple(Identifier(system="urn:example:ward", value=value) for value in ("1;urn:example:ward|2", "3"))
    newborn = exam.newborn.model_copy(update={"identifiers": known})
    details = exam.details.model_copy(update={"examiners": people})
    exam = exam.model_copy(update={"newborn": newborn, "details": details})
    assert row("exams", exam, catalogue)["examiners"] == "N.\\; Invented;b\\\\"
    assert split(row("newborns", exam, catalogue)["identifiers"]) == [
        f"urn:example:ward|{one.value}" for one in known
    ]
