"""``newborn-adapter quality`` over extracts of invented exams.

The digit preference score is held against the worked example in the documentation of the NiPN data quality toolkit
(nipnTK, which takes it from the WHO MONICA Project): a thousand random digits score 3.5.
"""

from __future__ import annotations

import csv
import json
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import load_catalogue
from adapter.write.quality import load_checks
from adapter.write.quality.digits import preference_score
from adapter.write.quality.drift import Monthly, months
from adapter.write.quality.hiding import hidden_together, may_show
from adapter.write.quality.table_one import table_one
from tests.commands import run_here
from tests.drawn import drawn

MONTHS = (("2026-01", 0, 30), ("2026-02", 0.3, 30), ("2026-03", 0.1, 30), ("2026-04", 2, 9), ("2026-05", 0, 30))
DAY = "2026-05-{:02}T{:02}:00:00+02:00"


def quantity(item: str, number: str, unit: str) -> dict[str, Any]:
    return {"item": item, "value": {"value": number, "unit": unit}}


def exam(n: int, **changed: Any) -> dict[str, Any]:
    """The n-th invented exam: a nurse's at a day of life, with a heart rate, a temperature, a weight and a gap."""
    role, month = changed.pop("role", "nurse"), changed.pop("month", "05")
    start = DAY.format(2, 8).replace("-05-", f"-{month}-")
    findings = [
        quantity("heart_rate", changed.pop("heart_rate", str(120 + 10 * (n % 3))), "/min"),
        {**quantity("temperature", f"36.{n % 10}", "Cel"), "site": "axilla"},
        quantity("weight", changed.pop("weight", str(3000 + 10 * (n % 40))), "g"),
        {"item": "red_reflex", "side": "left", "not_examined": "eyes_not_open"},
    ]
    return {
        "version": 1,
        "newborn": {
            "identifiers": [{"system": "urn:example:ward", "value": changed.pop("newborn", f"invented-{n}")}],
            "birth_time": DAY.format(1, 8).replace("-05-", f"-{month}-"),
            "sex": "female",
            "gestation": {"weeks": 39, "days": 3},
        },
        "exam": {
            "id": changed.pop("id", f"invented-{n}"),
            "kind": "initial",
            "started": changed.pop("started", start),
            **({"place": changed.pop("place")} if "place" in changed else {}),
            "examiners": [{"name": f"Invented {role} {n % changed.pop('people', 4)}", "role": role}],
        },
        "findings": findings,
    }


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """60 exams by nurses, 12 by midwives of whom there are two, 3 by a student; and four that are doubtful."""
    exams = [exam(n, place="Ward A" if n < 45 else "Ward B" if n < 57 else "Ward C") for n in range(60)]
    exams += [exam(n, role="midwife", people=2, month="06") for n in range(60, 72)]
    exams += [exam(n, role="student", month="06") for n in range(72, 75)]
    later = DAY.format(2, 20)
    exams += [
        exam(1, id="again", heart_rate="121", started=DAY.format(2, 8).replace("08:00", "08:05")),
        exam(5, id="lost-weight", started=later, weight="2500"),
        exam(6, id="same-weight", started=later, weight="3050"),
        exam(80, id="ten-times-less", weight="310"),
    ]
    folder = tmp_path_factory.mktemp("quality")
    (folder / "exams.ndjson").write_text("".join(json.dumps(one) + "\n" for one in exams))
    tables = ("--table", "exams", "--table", "findings")
    done = run_here("extract", folder / "exams.ndjson", *tables, "--out", folder / "study", "--quiet")
    assert done.returncode == 0, done.stderr
    return folder / "study"


def made(study: Path, out: Path, *options: object) -> str:
    done = run_here("quality", study, "--out", out, *options)
    assert done.returncode == 0, done.stderr
    return out.read_text()


def test_what_is_missing_and_what_is_doubtful(study: Path, tmp_path: Path) -> None:
    found = json.loads(made(study, tmp_path / "q.json", "--records", tmp_path / "records.csv"))
    cells = {(c["check"], c["measure"], c["group"], c["value"], c["item"]): c for c in found["cells"]}
    eyes = cells["completeness", "not_examined", "all", "", "red_reflex"]
    assert (eyes["count"], eyes["of"]) == (79, 158)
    gap = cells["completeness", "not_recorded", "all", "", "red_reflex"]
    assert (gap["count"], gap["share"]) == (79, 0.5)
    assert cells["completeness", "not_recorded", "all", "", "heart_rate"]["count"] == 0
    digits = {row["item"]: row for row in found["digits"]}
    assert digits["heart_rate"]["told"]
    assert digits["heart_rate"]["score"] > 90
    assert digits["temperature"]["score"] < 20
    assert not digits["temperature"]["told"]
    with (tmp_path / "records.csv").open() as file:
        doubts = {(row["check"], row["item"], row["exam_id"]) for row in csv.DictReader(file)}
    assert doubts == {
        ("duplicates", "", "again"),
        ("changes", "weight", "lost-weight"),
        ("units", "weight", "ten-times-less"),
    }


def test_small_groups_and_counts_are_not_shown(study: Path, tmp_path: Path) -> None:
    found = json.loads(made(study, tmp_path / "q.json"))
    exams = {(c["group"], c["value"]): c["count"] for c in found["cells"] if c["check"] == "exams"}
    assert exams["all", ""] == 79
    assert exams["role", "student"] is None, "three exams"
    assert exams["role", "midwife"] is None, "twelve exams, of two people"
    assert exams["month", "2026-05"] == 64
    for one in found["cells"]:
        assert one["count"] is None or one["count"] == 0 or one["count"] >= 10
        assert one["of"] is None or one["of"] >= 10
    by_hand = [c for c in found["cells"] if c["group"] == "role" and c["value"] in ("student", "midwife")]
    assert by_hand
    assert all(c["count"] is None and c["of"] is None for c in by_hand)
    for form in ("html", "csv"):
        text = made(study, tmp_path / f"q.{form}")
        assert "again" not in text.replace("against", "")
        assert "Invented" not in text


def test_the_page_says_what_it_means_and_whose_it_is_not(study: Path, tmp_path: Path) -> None:
    page = made(study, tmp_path / "q.html")
    for words in ("data, not about people", "MONICA", "Kahn et al.", "Not examined", "ever a normal finding"):
        assert words in page


def test_who_is_in_it_by_place_without_small_counts(study: Path, tmp_path: Path) -> None:
    """Place C has three newborns; the next smallest is hidden with it, so that the sum does not give it away."""
    found = json.loads(made(study, tmp_path / "q.json"))
    places = {one["place"]: one for one in found["table_one"]}
    assert places["all"]["newborns"] == 76
    assert (places["all"]["female"], places["all"]["preterm"]) == (76, 0)
    assert places["all"]["weeks"] == [39, 39, 39]
    assert places["Ward A"]["newborns"] == 45
    assert places["Ward C"]["newborns"] is None
    assert places["Ward B"]["newborns"] is None
    assert places["Ward B"]["weeks"] is places["Ward B"]["female"] is None
    alone = sqlite3.connect(":memory:")
    alone.execute("create table exam (newborn, place, hours, sex, weeks, grams)")
    alone.execute("insert into exam values ('1', 'Ward A', 20, 'male', 39, 3100)")
    assert [one.place for one in table_one(alone, 1)] == ["all"], "one place alone is all of them"
    page = made(study, tmp_path / "q.html")
    assert "Who is in it" in page
    assert "Places not examined by month: 2026-05" in page
    assert page.count("<svg") >= 3


def test_a_month_that_lies_apart_is_told() -> None:
    """One month 0.3 higher than the middle of the others, one 0.1, one 2 with few numbers."""
    checks = load_checks(None, load_catalogue())
    assert checks.drift is not None
    monthly = Monthly()
    for month, higher, count in MONTHS:
        for n in range(count):
            monthly.see("temperature", month, 36.8 + higher + (0.1 if n % 2 else -0.1))
            monthly.see("length", "2026-01", 50)
    found = {one.month: one for one in months(monthly, checks.drift, checks.least)}
    assert {month for month, one in found.items() if one.told} == {"2026-02"}
    assert found["2026-02"].mean == pytest.approx(37.1)
    assert found["2026-04"].mean is None
    assert {one.item for one in found.values()} == {"temperature"}, "of length there is one month alone"


def test_against_an_earlier_extract_the_catalogue_says_why(study: Path, tmp_path: Path) -> None:
    earlier = tmp_path / "earlier"
    earlier.mkdir()
    for path in study.iterdir():
        if path.is_file():
            (earlier / path.name).write_bytes(path.read_bytes())
    exams = (earlier / "exams.csv").read_text("utf-8").replace("not_examined:eyes_not_open", "examined")
    (earlier / "exams.csv").write_text(exams, "utf-8")
    package = (earlier / "datapackage.json").read_text("utf-8")
    (earlier / "datapackage.json").write_text(package.replace('"version": "', '"version": "before-'), "utf-8")
    dictionary = (earlier / "dictionary.csv").read_text("utf-8").replace("absent = ", "away = ")
    (earlier / "dictionary.csv").write_text(dictionary, "utf-8")
    found = json.loads(made(study, tmp_path / "q.json", "--against", earlier))["against"]
    assert found["then"] == f"before-{found['now']}"
    told = {(one["item"], one["measure"]): one for one in found["changes"]}
    eyes = told["red_reflex", "not_examined"]
    assert (eyes["then"], eyes["now"], eyes["told"]) == (0, 0.5, True)
    assert "answers new: absent, answers gone: away" in told["red_reflex", "not_examined"]["why"]
    assert not told["red_reflex", "not_recorded"]["told"]
    assert ("heart_rate", "not_examined") not in told
    page = made(study, tmp_path / "q.html", "--against", earlier)
    assert "Against an earlier extract" in page
    assert run_here("quality", study, "--out", tmp_path / "x.html", "--against", tmp_path).returncode == 2


def test_parquet_and_csv_give_the_same(study: Path, tmp_path: Path) -> None:
    some = (study.parent / "exams.ndjson").read_text().splitlines(keepends=True)[:12]
    (tmp_path / "some.ndjson").write_text("".join(some))
    for form in ("parquet", "csv"):
        asked = ("--table", "exams", "--table", "findings", "--format", form, "--out", tmp_path / form, "--quiet")
        assert run_here("extract", tmp_path / "some.ndjson", *asked).returncode == 0
    assert made(tmp_path / "parquet", tmp_path / "a.csv") == made(tmp_path / "csv", tmp_path / "b.csv")


@pytest.mark.parametrize(
    ("checks", "words"),
    [
        ("version: 1\n", "least"),
        ("version: [", "quality.yaml"),
        (None, "heart_beats"),
    ],
)
def test_checks_of_ones_own_are_told_where_they_are_wrong(
    checks: str | None, words: str, study: Path, tmp_path: Path
) -> None:
    shipped = (Path(__file__).parents[2] / "mappings/quality/checks.yaml").read_text()
    (tmp_path / "quality.yaml").write_text(checks or shipped.replace("heart_rate", "heart_beats"))
    done = run_here("quality", study, "--out", tmp_path / "q.csv", "--checks", tmp_path / "quality.yaml")
    assert done.returncode == 2
    assert words in done.stderr.decode()


def test_no_extract_and_no_form(study: Path, tmp_path: Path) -> None:
    done = run_here("quality", tmp_path, "--out", tmp_path / "q.html")
    assert done.returncode == 2
    assert b"no table exams" in done.stderr
    assert run_here("quality", study, "--out", tmp_path / "q.txt").returncode == 2
    (tmp_path / "exams.csv").write_text("a,b\n1,2\n")
    done = run_here("quality", tmp_path, "--out", tmp_path / "q.html")
    assert b"no column exam_id" in done.stderr


def test_the_score_is_that_of_the_published_example() -> None:
    # digitPreference() over set.seed(0); sample(0:9, 1000, replace = TRUE), as the toolkit's documentation prints it
    assert round(preference_score([96, 104, 91, 113, 115, 85, 90, 107, 89, 110]), 1) == 3.5
    assert preference_score([5] * 10) == 0
    assert preference_score([0, 50, *[0] * 8]) == pytest.approx(100)


@drawn(100)
@given(st.lists(st.integers(0, 60), min_size=2, max_size=8), st.integers(2, 12))
def test_what_is_hidden_cannot_be_worked_out_from_the_sum(numbers: list[int], least: int) -> None:
    counts = {str(n): count for n, count in enumerate(numbers)}
    small = {name for name, count in counts.items() if not may_show(count, 60, least)}
    hidden = hidden_together(counts, small, least)
    assert small <= hidden
    left = sum(counts[name] for name in hidden)
    assert not hidden or hidden == set(counts) or (len(hidden) > 1 and left >= least)
