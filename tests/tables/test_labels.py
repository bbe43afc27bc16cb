"""The scripts that load the tables into R, Stata and SPSS: each column by name, type and label, by the tools' rules.

Rules, from the tools' manuals, from memory. Stata: names of at most 32 characters, labels of variables of 80, a quote
within compound quotes is a quote. SPSS: names of at most 64 bytes, no reserved word, lines of at most 251 bytes,
labels of values of 120, apostrophes doubled, a full stop at the end. R: double quotes and backslashes escaped.
(Run by hand with R 4.2.2 and GNU PSPP 1.6.2: every cell as in the CSV.)
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Exam
from adapter.fhir.json import loads
from adapter.write.tables import TABLES, Column, Type
from adapter.write.tables.labels import stata_names, write_labels
from tests.extracts import written_at_once

RESERVED = {"ALL", "AND", "BY", "EQ", "GE", "GT", "LE", "LT", "NE", "NOT", "OR", "TO", "WITH"}
STRINGS = re.compile(r'"(?:[^"\\]|\\.)*"')


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, every: list[Exam], catalogue: Catalogue) -> Path:
    made = tmp_path_factory.mktemp("labels")
    written_at_once(every[:1], catalogue, made, ("tables",))
    return made


def lines(folder: Path, name: str) -> list[str]:
    return (folder / name).read_text(encoding="utf-8").splitlines()


def columns(catalogue: Catalogue) -> list[tuple[str, Column]]:
    return [(name, column) for name, table in TABLES.items() for column in table.columns(catalogue)]


def test_r_labels_every_column_as_the_data_package_does(folder: Path) -> None:
    said = "\n".join(lines(folder, "labels.R"))
    found = dict(re.findall(r'^(\w+\[\["\w+"\]\]) <- column\(\1, "\w+", ("(?:[^"\\]|\\.)*")', said, re.MULTILINE))
    package = loads((folder / "datapackage.json").read_bytes())
    wanted = {
        f'{r["name"]}[["{f["name"]}"]]': f["title"] for r in package["resources"] for f in r["schema"]["fields"]
    }
    assert {name: re.sub(r"\\(.)", r"\1", label[1:-1]) for name, label in found.items()} == wanted
    for line in lines(folder, "labels.R"):
        bare = STRINGS.sub("", line)
        assert '"' not in bare, line
        assert bare.count("(") - bare.count(")") in (0, 1) or bare in (")", "}"), line


def test_stata_has_every_column_under_a_name_that_it_allows(folder: Path, catalogue: Catalogue) -> None:
    said = lines(folder, "labels.do")
    for name, table in TABLES.items():
        names = stata_names(table.columns(catalogue))
        assert len(set(names)) == len(names), name
        assert all(re.fullmatch(r"[A-Za-z_]\w{0,31}", one) for one in names)
    labels = [
        re.fullmatch(r"label variable (\w+) `\"(.*)\"'", one) for one in said if one.startswith("label variable")
    ]
    assert len(labels) == len(columns(catalogue))
    assert all(one is not None and len(one[2]) <= 80 and "`" not in one[2] for one in labels)
    long = {column.name for _, column in columns(catalogue) if len(column.name) > 32}
    assert {one.partition(": ")[2] for one in said if one.startswith("notes ")} == long != set()
    assert [one for one in said if "bindquotes(strict)" in one and one.endswith("clear")]
    coded = [one for one in said if one.startswith("encode ")]
    assert len(coded) > 300
    defining = [one for one in said if one.startswith("label define")]
    # from memory: replace takes away what was defined before, so that each but the first of a list is added
    assert all(one.endswith(", replace" if one.split()[3] == "1" else ", modify") for one in defining)
    defined = {one.split()[2] for one in defining}
    assert {re.search(r"label\((\w+)\)", one)[1] for one in coded} <= defined  # type: ignore[index]


def test_spss_has_every_column_and_no_line_that_it_cannot_read(folder: Path, catalogue: Catalogue) -> None:
    said = lines(folder, "labels.sps")
    assert max(len(one.encode()) for one in said) <= 251
    assert all(one.count("'") % 2 == 0 for one in said if not one.startswith("*"))
    commands = re.split(r"\.\n", "\n".join(said) + "\n")
    assert commands[-1] == ""
    known = ("*", "SET ", "GET DATA ", "DATASET NAME ", "VARIABLE LABELS\n", "VALUE LABELS\n", "SAVE OUTFILE=")
    assert all(one.startswith(known) for one in commands[:-1])
    formats = re.findall(r"^  (\w+) ([AF][\d.]+)$", "\n".join(said), re.MULTILINE)
    assert [name for name, _ in formats] == [column.name for _, column in columns(catalogue)]
    assert {name.upper() for name, _ in formats}.isdisjoint(RESERVED)
    numeric = {column.name for _, column in columns(catalogue) if column.type in (Type.INTEGER, Type.DECIMAL)}
    assert {name for name, one in formats if one.startswith("F")} == numeric
    assert "'examined' 'examined, and what was found stands in the value'" in "\n".join(said)


def test_spss_reads_a_line_a_row_where_a_text_has_several(folder: Path, catalogue: Catalogue, tmp_path: Path) -> None:
    """A line end within quotes begins a new case there (GNU PSPP 1.6.2 does so; SPSS alike, from memory): all behind
    it would stand in wrong columns."""
    heading, first = (folder / "newborns.csv").read_text("utf-8").splitlines()[:2]
    with (tmp_path / "newborns.csv").open("w", newline="") as file:
        name = [one.name for one in TABLES["newborns"].columns(catalogue)].index("name")
        cells = next(csv.reader([first]))
        written = [[*cells[:name], text, *cells[name + 1 :]] for text in ("one", 'a "line"\nand\r\nmore', "")]
        csv.writer(file).writerows([heading.split(","), *written])
    write_labels(tmp_path, catalogue, {"newborns": 3})
    assert "/FILE='newborns_for_spss.csv'" in (tmp_path / "labels.sps").read_text("utf-8")
    rows = list(csv.reader((tmp_path / "newborns_for_spss.csv").read_text("utf-8").splitlines()))
    assert [row[name] for row in rows[1:]] == ["one", 'a "line" and more', ""]
    assert rows[2][:name] == cells[:name]
    assert not list(folder.glob("*_for_spss.csv"))


def test_only_r_reads_what_is_no_csv(catalogue: Catalogue, tmp_path: Path) -> None:
    (tmp_path / "exams").mkdir()
    (tmp_path / "exams" / "part-00000.parquet").touch()
    write_labels(tmp_path, catalogue, {"exams": 0})
    assert {path.name for path in tmp_path.iterdir()} == {"exams", "labels.R"}
    assert 'from_parquet("exams")' in (tmp_path / "labels.R").read_text("utf-8")
