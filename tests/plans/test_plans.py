"""Column plans: what they read, what they refuse, and what is said of a wrong plan."""

from __future__ import annotations

import zipfile
from datetime import datetime, time
from pathlib import Path

import openpyxl
import pytest

from adapter.catalogue import load_catalogue
from adapter.exam import Exam, Gestation
from adapter.problems import Problem
from adapter.read import Reading
from adapter.read.plan import load_plan, read_table, unread_columns

CATALOGUE = load_catalogue()
EXAMPLES = Path(__file__).parents[2] / "examples" / "plans"

HEADER = (
    "Record;Round;Exam date;Exam time;By;Initials;Newborn no;Sex;Born;Weeks;Days;Mother no;lb;oz;Temp;HR;State;"
    "RR left;RR right;Skin;Sys;Dia;Apgar 5;Remark"
)
ROW = "7;first;02.03.2026;09.15;M;A.B.;B-1;G;01.03.2026 22.05;39;4;M-1;7;4;36,80;138;awake;+;0;milia,stork;65;41;9;x"


def ward(tmp_path: Path, *rows: str, header: str = HEADER) -> list[Reading]:
    table = tmp_path / "ward.csv"
    table.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    plan, problems = load_plan(EXAMPLES / "ward_sheet.yaml", CATALOGUE)
    assert plan is not None
    assert not problems
    return list(read_table(table, plan, CATALOGUE, name="ward.csv"))


def changed(**cells: str) -> str:
    """The row with some cells changed, by column name (spaces as underscores)."""
    columns, values = HEADER.split(";"), ROW.split(";")
    for name, value in cells.items():
        values[columns.index(name.replace("_", " "))] = value
    return ";".join(values)


def only(readings: list[Reading]) -> Exam:
    (reading,) = readings
    assert reading.accepted, [str(p) for p in reading.errors]
    assert reading.exam is not None
    return reading.exam


def rules(readings: list[Reading]) -> dict[str, str]:
    return {p.rule: p.where for r in readings for p in r.errors}


def test_a_ward_sheet(tmp_path: Path) -> None:
    exam = only(ward(tmp_path, ROW))
    assert exam.details.id == "ward-7"
    assert exam.details.kind == "initial"
    assert exam.details.started.isoformat() == "2026-03-02T09:15:00+01:00"
    assert exam.newborn.birth_time.isoformat() == "2026-03-01T22:05:00+01:00"
    assert exam.newborn.gestation == Gestation(weeks=39, days=4, method="ultrasound_dating")
    said = [(f.item, str(f.value), f.side and f.side.value) for f in exam.findings]
    assert ("birth_weight", "7 lb 4 oz", None) in said
    assert ("temperature", "36.80 Cel", None) in said
    assert ("red_reflex", "present_equal", "left") in said
    assert ("red_reflex", "absent", "right") in said
    assert [f.answer for f in exam.findings if f.item == "benign_skin_findings"] == ["milia", "nevus_simplex"]


def test_further_facts_of_persons_come_out_of_columns(tmp_path: Path) -> None:
    """Declared by the site, with the parts of one extension in columns of their own; an empty cell is no fact."""
    url = "http://hl7.org/fhir/us/core/StructureDefinition/us-core-race"
    (tmp_path / "person_facts.yaml").write_text(
        f'- {{id: race, label: Race, of: [newborn], url: "{url}", part: text, type: string, required: true}}\n'
        "- {id: booked, label: Booked here, of: [newborn, mother], url: 'urn:oid:2.999.31', type: boolean}\n"
    )
    site = load_catalogue(tmp_path)
    own = (
        (EXAMPLES / "ward_sheet.yaml")
        .read_text()
        .replace("\nnewborn:\n", "\nnewborn:\n  facts: {race: {column: Race}, booked: {column: Booked}}\n", 1)
    )
    (tmp_path / "plan.yaml").write_text(own)
    plan, problems = load_plan(tmp_path / "plan.yaml", site)
    assert plan is not None, problems
    table = tmp_path / "ward.csv"
    table.write_text(
        f"{HEADER};Race;Booked\n{ROW};Asian;true\n{changed(Record='8')};;\n{changed(Record='9')};;maybe\n"
    )
    said, nothing, wrong = read_table(table, plan, site, name="ward.csv")
    assert only([said]).newborn.facts == (("booked", True), ("race", "Asian"))
    assert only([nothing]).newborn.facts is None
    assert rules([wrong]) == {"wrong-fact": "row 4, column Booked"}


def test_missing_is_not_recorded_or_the_reason_that_the_plan_names(tmp_path: Path) -> None:
    exam = only(ward(tmp_path, changed(Temp="n/a", HR="-", RR_left="")))
    by_item = {f.item: f for f in exam.findings}
    assert by_item["temperature"].not_examined == "equipment_absent"
    assert "heart_rate" not in by_item
    assert [f.side for f in exam.findings if f.item == "red_reflex"] == ["right"]


def test_rows_of_one_key_are_one_exam(tmp_path: Path) -> None:
    exam = only(ward(tmp_path, changed(HR="", State="", Skin=""), changed(Temp="36,80", RR_left="", RR_right="")))
    assert sorted(f.item for f in exam.findings) == [
        "apgar_5_min",
        "benign_skin_findings",
        "benign_skin_findings",
        "birth_weight",
        "blood_pressure",
        "heart_rate",
        "red_reflex",
        "red_reflex",
        "temperature",
    ]


def test_rows_of_one_key_must_agree(tmp_path: Path) -> None:
    found = ward(tmp_path, ROW, changed(Sex="B"))
    assert rules(found) == {"rows-disagree": "row 3, column Sex"}


@pytest.mark.parametrize(
    ("cells", "rule", "where"),
    [
        ({"Sex": "?", "Round": "night"}, "not-in-map", "row 2, column Round"),
        ({"Exam_date": "2026-03-02"}, "not-a-time", "row 2, column Exam date"),
        ({"Exam_time": "-"}, "no-time-of-day", "row 2, column Exam date"),
        ({"oz": ""}, "wrong-parts", "row 2, column lb"),
        ({"oz": "17"}, "wrong-parts", "row 2, column oz"),
        ({"Temp": "36,8,1"}, "not-a-number", "row 2, column Temp"),
        ({"Temp": "98,6"}, "impossible-value", "row 2, column Temp"),
        ({"Weeks": "39,5"}, "not-a-number", "row 2, column Weeks"),
        ({"Weeks": "52"}, "out-of-bounds", "row 2, column Weeks"),
        ({"RR_left": "maybe"}, "not-in-map", "row 2, column RR left"),
        ({"Skin": "milia,spots"}, "not-in-map", "row 2, column Skin"),
        ({"Newborn_no": "M-1"}, "mother-is-newborn", "row 2, column Mother no"),
        ({"Born": "03.03.2026 22.05"}, "born-after-exam", "row 2, column Born"),
        # Central European clocks, 2026 (directive 2000/84/EC): forward on 29 March, back on 25 October.
        ({"Born": "29.03.2026 02.30", "Exam_date": "30.03.2026"}, "clock-change", "row 2, column Born"),
        ({"Born": "25.10.2026 02.30", "Exam_date": "26.10.2026"}, "clock-change", "row 2, column Born"),
    ],
)
def test_a_wrong_cell_is_named(tmp_path: Path, cells: dict[str, str], rule: str, where: str) -> None:
    assert rules(ward(tmp_path, changed(**cells))).get(rule) == where


def test_each_side_of_a_clock_change_has_its_offset(tmp_path: Path) -> None:
    before = only(ward(tmp_path, changed(Born="25.10.2026 01.59", Exam_date="26.10.2026")))
    after = only(ward(tmp_path, changed(Born="25.10.2026 03.00", Exam_date="26.10.2026")))
    assert (after.newborn.birth_time - before.newborn.birth_time).total_seconds() == 2 * 3600 + 60


def test_a_table_without_a_column_of_the_plan(tmp_path: Path) -> None:
    found = ward(tmp_path, ROW, header=HEADER.replace("Temp", "Temperature"))
    (problem,) = found[0].errors
    assert problem.rule == "no-column"
    assert "'Temp'" in problem.what
    assert "Temperature" in problem.remedy


def test_what_is_left_unread_is_shown(tmp_path: Path) -> None:
    ward(tmp_path, ROW)
    plan, _ = load_plan(EXAMPLES / "ward_sheet.yaml", CATALOGUE)
    assert plan is not None
    assert unread_columns(tmp_path / "ward.csv", plan) == ("Remark",)


PLAN = """
plan: 1
time_zone: Europe/London
table: {sheet: Births}
exam:
  id: {column: no, prefix: x-}
  kind: birth
  started: {hours_after_birth: {column: age}}
  examiners: [{role: midwife, identifier: {system: staff, value: "12"}}]
newborn:
  identifiers: [{system: mrn, value: {column: no}}]
  sex: {column: sex}
  birth_time: {date: born, time: at}
  gestation: {decimal_weeks: {column: ga}}
findings:
- {item: birth_weight, value: {column: weight}, unit: {column: unit}}
- {item: first_void, time: {column: void}}
"""


def test_a_workbook(tmp_path: Path) -> None:
    workbook = openpyxl.Workbook()
    sheet = workbook.create_sheet("Births")
    sheet.append(["no", "sex", "born", "at", "age", "ga", "weight", "unit", "void"])
    born = datetime(2026, 7, 1)
    sheet.append([1, "female", born, time(23, 58), 1.5, 39.57, 3.31, "kg", datetime(2026, 7, 2, 0, 30)])
    sheet.append([2, "male", born, time(4, 0), 2, 37, 3310, "g", None])
    workbook.save(tmp_path / "births.xlsx")
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    plan, problems = load_plan(tmp_path / "plan.yaml", CATALOGUE)
    assert not problems
    assert plan is not None
    found = list(read_table(tmp_path / "births.xlsx", plan, CATALOGUE))
    assert all(r.accepted for r in found), [str(p) for r in found for p in r.errors]
    first, second = (r.exam for r in found)
    assert first is not None
    assert second is not None
    assert first.newborn.birth_time.isoformat() == "2026-07-01T23:58:00+01:00"
    assert first.details.started.isoformat() == "2026-07-02T01:28:00+01:00"
    assert first.newborn.gestation == Gestation(weeks=39, days=4)  # 39.57 * 7 = 276.99 days
    assert str(first.findings[0].value) == "3.31 kg"
    assert second.newborn.gestation == Gestation(weeks=37, days=0)
    assert [f.item for f in second.findings] == ["birth_weight"]


@pytest.mark.parametrize("harm", ["no zip", "cut", "sheet"])
def test_a_broken_workbook_is_told(tmp_path: Path, harm: str) -> None:
    workbook = openpyxl.Workbook()
    workbook.create_sheet("Births").append(["no", "sex", "born", "at", "age", "ga", "weight", "unit", "void"])
    path = tmp_path / "births.xlsx"
    workbook.save(path)
    if harm == "no zip":
        path.write_bytes(b"no, workbook\n")
    elif harm == "cut":
        path.write_bytes(path.read_bytes()[:2000])
    else:
        with zipfile.ZipFile(path) as whole:
            parts = {name: whole.read(name) for name in whole.namelist()}
        with zipfile.ZipFile(path, "w") as broken:
            for name, data in parts.items():
                broken.writestr(name, data[:200] if "sheet2" in name else data)
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    plan, _ = load_plan(tmp_path / "plan.yaml", CATALOGUE)
    assert plan is not None
    (reading,) = read_table(path, plan, CATALOGUE)
    assert reading.errors[0].rule in ("not-a-workbook", "not-csv", "no-sheet")
    assert unread_columns(path, plan) == ()


def lint(tmp_path: Path, text: str) -> list[Problem]:
    (tmp_path / "plan.yaml").write_text(text, encoding="utf-8")
    return load_plan(tmp_path / "plan.yaml", CATALOGUE)[1]


@pytest.mark.parametrize(
    ("old", "new", "rule", "remedy"),
    [
        ("birth_weight", "birth_wieght", "unknown-item", "birth_weight"),
        ("kind: birth", "kind: brith", "plan-unknown-word", "birth"),
        ("role: midwife", "role: midwive", "plan-unknown-word", "midwife"),
        ("{column: sex}", "{column: sex, map: {F: femal}}", "plan-unknown-word", "female"),
        ("unit: {column: unit}", "unit: cm", "plan-unit", "kg"),
        (", unit: {column: unit}", "", "plan-unit", "kg"),
        ("Europe/London", "Europe/Londn", "plan-time-zone", "Europe/London"),
        ("time_zone: Europe/London", "", "plan-time-zone", "time_zone"),
        ("{date: born, time: at}", "{date: born}", "wrong-value", "time (a column) or at"),
        ("{date: born, time: at}", "{column: born, format: '%d/%m/%Y'}", "plan-time", "at"),
        ("value: {column: weight}", "value: {colum: weight}", "unknown-field", "column"),
        ("value: {column: weight}", "total: {column: weight}", "plan-wrong-form", "value"),
        ("first_void, time: {column: void}", "red_reflex, value: absent", "side-missing", "side: left"),
        ("first_void, time: {column: void}", "cry, value: loud", "plan-unknown-word", "strong_lusty"),
        ("first_void, time: {column: void}", "cry, value: strong_lusty, side: left", "side-on-midline", "leave"),
        ("first_void, time: {column: void}", "temperature, value: {column: t}, unit: Cel", "site-missing", "axilla"),
        (
            "first_void, time: {column: void}",
            "cry, value: {column: c}, when_missing: lost",
            "plan-unknown-word",
            "crying",
        ),
        ("plan: 1", "plan: 2", "wrong-value", ""),
        ("  sex: {column: sex}\n", "", "missing-field", "sex"),
        ("newborn:", "newborn: [", "plan-unreadable", ""),
    ],
)
def test_a_wrong_plan_is_told(tmp_path: Path, old: str, new: str, rule: str, remedy: str) -> None:
    assert not lint(tmp_path, PLAN)
    assert old in PLAN
    problems = lint(tmp_path, PLAN.replace(old, new))
    assert any(p.rule == rule and remedy in p.remedy for p in problems), [str(p) for p in problems]
    assert all(p.file for p in problems)
