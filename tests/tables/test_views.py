"""The ViewDefinitions, run by an independent runner over our NDJSON, give the rows of the tables.

Source: SQL on FHIR v2, ViewDefinition (Shareable: url, name, fhirVersion and a type for every column; Tabular: no
collections; names match ``^[A-Za-z][A-Za-z0-9_]*$``).
"""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Finding, Quantity, Urgency
from adapter.write.tables import TABLES
from adapter.write.view_columns import _TOTALS, _WHY, view_columns
from adapter.write.views import views
from tests.tables.view_runners import Rows, by_sqlonfhir
from tests.tables.views_compared import differences, example_exams, ours, written

NOT_SEEN = {"newborn_components": {"number", "unit", "answer_code", "answer_label", "answer_loinc", "answer_snomed"}}
"""By this runner: a choice inside forEach. ``views_compared`` has them compared by another."""


@pytest.fixture(scope="module")
def exams(catalogue: Catalogue) -> list[Exam]:
    """Some of the examples, and one with units, words, notes, states and urgencies that they lack."""
    found = example_exams(catalogue, ("d05", "d07-1", "d08", "d09", "d11"))
    base = found[0]
    odd = (
        Finding(item="glucose", value=Quantity(value=Decimal("2.80"), unit="mmol/L")),
        Finding(item="heart_rate", value=Quantity(value=Decimal("40"), unit="/min", comparator="<"), state="crying"),
        Finding(item="weight", value=Quantity(value=Decimal("3.100"), unit="kg"), note="twice\nfor the scale"),
        Finding(item="cry", text="like a kitten", urgency=Urgency.TELL),
        Finding(
            item="respiratory_rate", value=Quantity(value=Decimal(52), unit="/min"), counted_seconds=Decimal("60.0")
        ),
        Finding(item="palate", not_examined="only_part_seen"),
    )
    details = base.details.model_copy(update={"id": "odd-1"})
    return [*found, Exam(details=details, newborn=base.newborn, findings=odd)]


@pytest.fixture(scope="module")
def rows(exams: list[Exam], catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Rows]:
    """The rows of every view by sqlonfhir."""
    return by_sqlonfhir(written(exams, catalogue, tmp_path_factory.mktemp("extract")))


@pytest.mark.parametrize("view", ["newborn_findings", "newborn_components", "newborn_exams", "newborns"])
def test_an_independent_runner_gives_the_rows_of_the_table(
    view: str, rows: dict[str, Rows], exams: list[Exam], catalogue: Catalogue
) -> None:
    expected = ours(view, exams, catalogue)
    assert len(rows[view]) == len(expected) > 0
    assert differences(view, rows[view], expected, NOT_SEEN.get(view, set()))[:5] == []


def test_every_column_of_a_view_is_compared(catalogue: Catalogue, rows: dict[str, Rows], exams: list[Exam]) -> None:
    """But for what only FHIR says: its own status, and the standard's reason for an absent value."""
    held = next(iter(ours("newborn_findings", exams, catalogue).values()))
    assert rows["newborn_findings"][0].keys() - held.keys() == {"observation_status", "absent_reason"}


def test_the_comparison_sees_a_wrong_cell(rows: dict[str, Rows], exams: list[Exam], catalogue: Catalogue) -> None:
    expected = ours("newborn_findings", exams, catalogue)
    wrong = [dict(row) for row in rows["newborn_findings"]]
    wrong[3]["item"] = "cry" if wrong[3]["item"] != "cry" else "palate"
    assert differences("newborn_findings", wrong, expected, set())
    assert differences("newborn_findings", wrong[1:], expected, set())


def columns(select: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [column for part in select for column in part["column"]]


@pytest.mark.parametrize("name", ["newborn_findings", "newborn_components", "newborn_exams", "newborns"])
def test_views_are_shareable_and_tabular(name: str, catalogue: Catalogue) -> None:
    view = views(catalogue)[name]
    assert view["url"].endswith(f"/{name}")
    assert view["fhirVersion"] == ["4.0.1"]
    assert view["status"] == "active"
    pattern = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
    found = columns(view["select"])
    names = [column["name"] for column in found]
    assert len(set(names)) == len(names)
    assert all(pattern.fullmatch(one) for one in [name, *names, *(c["name"] for c in view["constant"])])
    assert all(column["type"] and "collection" not in column for column in found)
    used = {
        one for text in [*(c["path"] for c in found), view["where"][0]["path"]] for one in re.findall(r"%(\w+)", text)
    }
    used |= {one for part in view["select"] for one in re.findall(r"%(\w+)", part.get("forEach", ""))}
    assert used <= {constant["name"] for constant in view["constant"]}


def test_every_column_is_in_a_view_or_says_why_not(catalogue: Catalogue) -> None:
    """No reason for a column that is there, none for one that no table has, and counts only of what is counted."""
    listed = list(view_columns(catalogue))
    assert [(table, name) for table, name, _, _ in listed] == [
        (name, column.name) for name, table in TABLES.items() for column in table.columns(catalogue)
    ]
    assert all(bool(view) != bool(why) for _, _, view, why in listed)
    absent = {(table, name) for table, name, view, _ in listed if not view}
    assert {(table, name) for table, names in _WHY.items() for name in names} <= absent
    counted = {name for _, name, _, why in listed if why == _TOTALS}
    assert counted == {
        *("findings_examined", "findings_not_examined", "items_not_recorded", "findings_computed"),
        *("urgency", "tell_now", "tell_soon", "tell", "to_do"),
    }


def test_components_that_were_entered_in_error_can_be_left_out(catalogue: Catalogue) -> None:
    assert "observation_status" in {c["name"] for c in columns(views(catalogue)["newborn_components"]["select"])}


def test_the_views_are_those_of_the_site(catalogue: Catalogue, tmp_path: Path) -> None:
    from adapter.catalogue import load_catalogue

    (tmp_path / "site.yaml").write_text("canonical: https://ward.example/fhir\n", encoding="utf-8")
    view = views(load_catalogue(tmp_path))["newborn_findings"]
    assert view["url"].startswith("https://ward.example/fhir/")
    assert {"name": "item_codes", "valueString": "https://ward.example/fhir/CodeSystem/exam-item"} in view["constant"]
