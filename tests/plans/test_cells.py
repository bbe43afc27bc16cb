"""Tables as people keep them: headers in any row, units and two values in one cell, decimal commas."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapter.catalogue import load_catalogue
from adapter.exam import Gestation, Quantity
from adapter.read import Reading
from adapter.read.plan import load_plan, read_table, unread_columns
from adapter.run.rows import Rows

CATALOGUE = load_catalogue()

PLAN = """
plan: 1
table: {TABLE}
exam:
  id: {column: no, prefix: x-}
  kind: birth
  started: "2026-03-01T12:30:00+00:00"
  examiners: [{role: midwife, name: Invented}]
newborn:
  identifiers: [{system: mrn, value: {column: no}}]
  sex: unknown
  birth_time: "2026-03-01T12:00:00+00:00"
  GESTATION
findings:
FINDINGS
"""
WEIGHT = "- {item: birth_weight, value: {column: weight}, unit_in_cell: true}"
LENGTH = "- {item: length, value: {column: length}, unit: cm}"


def plan_text(table: str = "", findings: str = WEIGHT, gestation: str = "") -> str:
    return (
        PLAN.replace("{TABLE}", f"{{{table}}}").replace("FINDINGS", findings).replace("GESTATION", gestation).rstrip()
    )


def read(folder: Path, plan: str, content: str | Path) -> list[Reading]:
    (folder / "plan.yaml").write_text(plan, encoding="utf-8")
    loaded, problems = load_plan(folder / "plan.yaml", CATALOGUE)
    assert not problems, [str(p) for p in problems]
    assert loaded is not None
    return list(read_table(content.encode() if isinstance(content, str) else content, loaded, CATALOGUE, name="t"))


def told(readings: list[Reading]) -> dict[str, str]:
    return {p.rule: p.where for r in readings for p in r.errors}


def values(readings: list[Reading]) -> list[str]:
    assert not told(readings), [str(p) for r in readings for p in r.errors]
    return [str(f.value) for r in readings if r.exam for f in r.exam.findings]


@pytest.mark.parametrize(
    ("cell", "value"),
    [("3.2 kg", "3.2 kg"), ("3200g", "3200 g"), ("7 lb 4 oz", "7 lb 4 oz"), ("7.25 lb", "7.25 lb")],
)
def test_a_number_with_its_unit(tmp_path: Path, cell: str, value: str) -> None:
    assert values(read(tmp_path, plan_text(), f"no,weight\n1,{cell}\n")) == [value]


@pytest.mark.parametrize(
    ("cell", "rule"),
    [
        ("3.2", "no-unit-in-cell"),
        ("kg 3.2", "no-unit-in-cell"),
        ("about 3.2 kg", "no-unit-in-cell"),
        ("3.2 stone", "unknown-unit"),
        ("3.2 cm", "wrong-dimension"),
        ("3.2.1 kg", "not-a-number"),
        ('"3,200 g"', "not-a-number"),
    ],
)
def test_a_number_without_a_usable_unit_is_refused(tmp_path: Path, cell: str, rule: str) -> None:
    assert told(read(tmp_path, plan_text(), f"no,weight\n1,3 kg\n2,{cell}\n")) == {rule: "row 3, column weight"}


@pytest.mark.parametrize(
    ("cell", "weeks", "days"), [("39+4", 39, 4), ("39 + 0", 39, 0), ("39", 39, None), ("24+6", 24, 6)]
)
def test_gestation_in_one_cell(tmp_path: Path, cell: str, weeks: int, days: int | None) -> None:
    plan = plan_text(gestation="gestation: {weeks_and_days: {column: ga}}")
    (reading,) = read(tmp_path, plan, f"no,weight,ga\n1,3 kg,{cell}\n")
    assert reading.exam is not None
    assert reading.exam.newborn.gestation == Gestation(weeks=weeks, days=days)


@pytest.mark.parametrize("cell", ["39+7", "39+", "+4", "39.4", "39-4", "39+14", "term"])
def test_what_is_no_gestation_is_refused(tmp_path: Path, cell: str) -> None:
    plan = plan_text(gestation="gestation: {weeks_and_days: {column: ga}}")
    found = read(tmp_path, plan, f"no,weight,ga\n1,3 kg,{cell}\n")
    assert told(found) == {"not-a-gestation": "row 2, column ga"}


SIDES = """
- {item: red_reflex, side: left, value: {column: rr, pattern: '(?:L ([^/]+))?(?: / )?(?:R .+)?', map: {p: present_equal, a: absent}}}
- {item: red_reflex, side: right, value: {column: rr, pattern: '(?:L [^/]+)?(?: / )?(?:R (.+))?', map: {p: present_equal, a: absent}}}
"""  # noqa: E501


@pytest.mark.parametrize(
    ("cell", "found"),
    [
        ("L p / R a", [("left", "present_equal"), ("right", "absent")]),
        ("R p", [("right", "present_equal")]),
        ("", []),
    ],
)
def test_two_sides_in_one_cell(tmp_path: Path, cell: str, found: list[tuple[str, str]]) -> None:
    (reading,) = read(tmp_path, plan_text(findings=SIDES), f"no,rr\n1,{cell}\n")
    assert reading.exam is not None, [str(p) for p in reading.errors]
    assert [(f.side and f.side.value, f.answer) for f in reading.exam.findings] == found


@pytest.mark.parametrize(("cell", "rule"), [("p / a", "not-in-pattern"), ("L p / R x", "not-in-map")])
def test_what_is_not_in_the_pattern_is_refused(tmp_path: Path, cell: str, rule: str) -> None:
    found = read(tmp_path, plan_text(findings=SIDES), f"no,rr\n1,{cell}\n")
    assert told(found) == {rule: "row 2, column rr"}


@pytest.mark.parametrize(("cell", "value"), [("49,5", "49.5 cm"), ("49", "49 cm")])
def test_a_decimal_comma(tmp_path: Path, cell: str, value: str) -> None:
    assert values(read(tmp_path, plan_text("decimal: comma", LENGTH), f"no;length\n1;{cell}\n")) == [value]


@pytest.mark.parametrize(
    ("cell", "rule"),
    [
        ("1.234", "ambiguous-number"),
        ("1.234,5", "ambiguous-number"),
        ("49.5", "ambiguous-number"),
        ("1 234,5", "not-a-number"),
        ("4,9,5", "not-a-number"),
        (",5", "not-a-number"),
    ],
)
def test_a_decimal_comma_refuses_what_may_be_a_thousand(tmp_path: Path, cell: str, rule: str) -> None:
    found = read(tmp_path, plan_text("decimal: comma", LENGTH), f"no;length\n1;{cell}\n")
    assert told(found) == {rule: "row 2, column length"}


@given(number=st.decimals(min_value=20, max_value=65, places=1))
@settings(max_examples=60, deadline=None)
def test_a_comma_reads_as_the_point_does(number: Decimal, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("t")
    comma = read(folder, plan_text("decimal: comma", LENGTH), f"no;length\n1;{str(number).replace('.', ',')}\n")
    point = read(folder, plan_text("", LENGTH), f"no;length\n1;{number}\n")
    assert values(comma) == values(point)


def test_a_workbook_with_a_title_two_header_rows_units_and_sums(tmp_path: Path) -> None:
    sheet = (workbook := openpyxl.Workbook()).active
    assert sheet is not None
    for row in (
        ["Ward 3, invented"],
        [],
        ["no", "At birth", None, "Apgar", None],
        [None, "weight", "length", "1 min", "5 min"],
        ["", "(g)", "(cm)", "", ""],
        [1, 3200, 49.5, 8, 9],
        [2, 2900.5, "48.5", 7, 9],
        ["Mean", 3050, 49, None, None],
    ):
        sheet.append(row)
    sheet.merge_cells("B3:C3")
    workbook.save(tmp_path / "ward.xlsx")
    findings = """
- {item: birth_weight, value: {column: At birth / weight}, unit: g}
- {item: length, value: {column: At birth / length}, unit: cm}
- {item: apgar_5_min, total: {column: Apgar / 5 min}}
"""
    table = "decimal: comma, header_with: [no, Apgar], header_rows: 2, skip_rows: [5], "
    plan = plan_text(table + "skip_where: [{column: no, is: [Mean]}]", findings)
    first, second = read(tmp_path, plan, tmp_path / "ward.xlsx")
    assert first.exam is not None
    assert [str(f.value) for f in first.exam.findings if isinstance(f.value, Quantity)] == ["3200 g", "49.5 cm"]
    # The number 2900.5 is no text and not ambiguous; the text "48.5" is.
    assert told([second]) == {"ambiguous-number": "row 7, column At birth / length"}
    loaded, _ = load_plan(tmp_path / "plan.yaml", CATALOGUE)
    assert loaded is not None
    assert unread_columns(tmp_path / "ward.xlsx", loaded) == ("Apgar / 1 min",)


@pytest.mark.parametrize("table", ["header_row: 3", "header_with: [weight]"])
def test_a_header_below_other_rows(tmp_path: Path, table: str) -> None:
    text = "Births, all invented\n\nno;weight\n1;3.2 kg\n2;3.2\n"
    found = read(tmp_path, plan_text(table), text)
    assert [r.accepted for r in found] == [True, False]
    assert told(found) == {"no-unit-in-cell": "row 5, column weight"}


@pytest.mark.parametrize(
    ("table", "rule", "where"),
    [
        ("header_row: 2", "no-column", "row 2"),
        ("header_row: 9", "empty-file", "row 9"),
        ("header_with: [wait]", "no-header", ""),
        ("skip_where: [{column: sum, is: [x]}]", "no-column", "row 1"),
    ],
)
def test_a_header_that_is_not_there(tmp_path: Path, table: str, rule: str, where: str) -> None:
    assert told(read(tmp_path, plan_text(table), "no,weight\n1,3.2 kg\n")) == {rule: where}


def test_a_table_with_a_title_is_never_cut(tmp_path: Path) -> None:
    for table, whole in (("header_row: 2", True), ("header_rows: 2", True), ("header_row: 1", False)):
        (tmp_path / "plan.yaml").write_text(plan_text(table), encoding="utf-8")
        plan, _ = load_plan(tmp_path / "plan.yaml", CATALOGUE)
        assert plan is not None
        assert Rows.of_plan(plan).whole is whole


@pytest.mark.parametrize(
    ("plan", "rule", "said"),
    [
        (plan_text("header_row: 2, header_with: [no]"), "wrong-value", "one of them"),
        (plan_text("header_row: 0"), "", ""),
        (plan_text(findings=WEIGHT.replace("{column: weight}", "{column: weight, pattern: '('}")), "wrong-value", ""),
        (plan_text(findings=WEIGHT.replace("{column: weight}", "{column: weight, pattern: 'a'}")), "wrong-value", ""),
        (plan_text(findings=WEIGHT.replace("true", "true, unit: kg")), "plan-unit", "not both"),
        (plan_text(findings="- {item: cry, value: {column: c}, unit_in_cell: true}"), "plan-unit", "one number"),
    ],
)
def test_a_wrong_plan_is_told(tmp_path: Path, plan: str, rule: str, said: str) -> None:
    (tmp_path / "plan.yaml").write_text(plan, encoding="utf-8")
    _, problems = load_plan(tmp_path / "plan.yaml", CATALOGUE)
    assert any(rule in p.rule and said in f"{p.what} {p.remedy}" for p in problems), [str(p) for p in problems]
