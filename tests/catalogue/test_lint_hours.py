"""What is wrong with a site's table of lines by the hour is told with its file and what would be right."""

from __future__ import annotations

from pathlib import Path

import pytest

from adapter.catalogue import CatalogueError, forget_catalogues, load_catalogue
from adapter.catalogue.lint import lint

TABLE = """id: own
label: Invented lines
version: "1"
source: Invented
licence: Invented
items: [serum_bilirubin]
unit: umol/L
between: straight-line
lines:
- {id: lamp, label: Lamp, urgency: tell-soon}
- {id: more, label: More, urgency: tell-now}
"""
RISKS = """risks:
- {id: higher, label: With a risk}
- {id: lower, label: Without, when: {item: mother_history, answers: [none_known]}}
"""
HEAD = "from_week,to_week,hour,lamp,more\n"
ROWS = HEAD + "35,37,12,60,160\n35,37,24,90,200\n38,,12,70,170\n38,,24,95,210\n"
OF_RISKS = "from_week,to_week,risk,hour,lamp,more\n"


def problems_of(folder: Path, table: str, rows: str | None) -> list[str]:
    (folder / "hours").mkdir()
    (folder / "hours" / "own.yaml").write_text(table, encoding="utf-8")
    if rows is not None:
        (folder / "hours" / "own.csv").write_text(rows, encoding="utf-8")
    try:
        return [str(one) for one in lint(load_catalogue(folder))]
    except CatalogueError as error:
        return [str(one) for one in error.problems]


def test_a_table_without_fault(tmp_path: Path) -> None:
    assert problems_of(tmp_path, TABLE, ROWS) == []


FAULTS = {
    "no rows beside it": (TABLE, None, "own.csv", "cannot be read"),
    "no row at all": (TABLE, HEAD, "has no rows"),
    "a column missing": (TABLE, "from_week,to_week,hour,lamp\n35,,12,60\n", "needs the columns", "more"),
    "a column twice": (TABLE, "from_week,to_week,hour,lamp,lamp\n35,,12,60,61\n", "a column stands twice"),
    "a cell empty": (TABLE, HEAD + "35,,12,60,\n", "row 2", "more is empty"),
    "a cell too many": (TABLE, HEAD + "35,,12,60,70,80\n", "row 2", "more cells"),
    "a number that is none": (TABLE, HEAD + "35,,12,60,high\n", "row 2", "not a plain decimal"),
    "hours that do not ascend": (TABLE, HEAD + "35,,24,60,160\n35,,12,50,140\n", "do not ascend"),
    "an hour twice": (TABLE, HEAD + "35,,12,60,160\n35,,12,60,160\n", "do not ascend"),
    "a row missing": (TABLE, ROWS + "38,,36,99,220\n35,37,48,120,230\n", "no row for hour 36"),
    "weeks missing": (TABLE, ROWS.replace("38,,", "39,,"), "no rows for the weeks between 37 and 39"),
    "weeks that overlap": (TABLE, ROWS.replace("38,,", "37,,"), "overlap"),
    "lines that cross": (TABLE, ROWS.replace("95,210", "95,90"), "hour 24", "more (90) is not over lamp (95)"),
    "a unit that is none": (TABLE.replace("umol/L", "umol"), ROWS, "unit 'umol' cannot be compared"),
    "a unit of something else": (TABLE.replace("umol/L", "g"), ROWS, "mg/dL or umol/L"),
    "no source": (TABLE.replace("source: Invented\n", ""), ROWS, "source", "required"),
    "an empty source": (TABLE.replace("source: Invented\n", "source: ' '\n"), ROWS, "has no source"),
    "an item that is none": (TABLE.replace("serum_bilirubin", "bilirubine"), ROWS, "'bilirubine'"),
    "an item without a chart": (TABLE.replace("serum_bilirubin", "weight"), ROWS, "weight is not read on a chart"),
    "a method of nobody": (TABLE + "when: {methods: [tape]}\n", ROWS, "has no method 'tape'"),
    "a line that is not told": (TABLE.replace("tell-soon", "none"), ROWS, "has the urgency none"),
    "a higher line less urgent": (TABLE.replace("tell-now", "tell"), ROWS, "over lamp and less urgent"),
    "a line without a name": (TABLE.replace("label: Lamp, ", ""), ROWS, "label", "required"),
    "a label too long": (TABLE.replace("label: Lamp", f"label: {'Lamp ' * 20}"), ROWS, "more than 60 characters"),
    "a word of its own": (TABLE + "colour: red\n", ROWS, "colour"),
    "a name that is not the file's": (TABLE.replace("id: own", "id: other"), ROWS, "'other'", "own"),
    "a risk without rows": (TABLE + RISKS, OF_RISKS + "35,,higher,12,60,160\n", "has no rows of lower"),
    "a risk of nobody": (TABLE + RISKS, OF_RISKS + "35,,other,12,60,160\n", "rows name the risk 'other'"),
    "the most careful not first": (
        TABLE + RISKS, OF_RISKS + "35,,higher,12,60,160\n35,,lower,12,50,160\n", "lower lines than the first",
    ),
    "a gap that raises the lines": (
        TABLE + RISKS.replace("answers: [none_known]", "not_recorded: true"),
        OF_RISKS + "35,,higher,12,60,160\n35,,lower,12,70,170\n", "not recorded or not examined",
    ),
    "a risk that asks of nothing": (
        TABLE + RISKS.replace("mother_history", "mother"),
        OF_RISKS + "35,,higher,12,60,160\n35,,lower,12,70,170\n", "risk lower: item 'mother'",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_told(name: str, tmp_path: Path) -> None:
    table, rows, *said = FAULTS[name]
    found = "\n".join(problems_of(tmp_path, table, rows))
    assert all(words in found for words in said), found


def test_two_tables_for_one_value(tmp_path: Path) -> None:
    second = TABLE.replace("id: own", "id: second")
    assert problems_of(tmp_path, TABLE, ROWS) == []
    (tmp_path / "hours" / "second.yaml").write_text(second, encoding="utf-8")
    (tmp_path / "hours" / "second.csv").write_text(ROWS, encoding="utf-8")
    forget_catalogues()
    assert any("would both judge one value" in str(one) for one in lint(load_catalogue(tmp_path)))
    (tmp_path / "hours" / "second.yaml").write_text(f"{second}on: false\n", encoding="utf-8")
    forget_catalogues()
    assert lint(load_catalogue(tmp_path)) == []
