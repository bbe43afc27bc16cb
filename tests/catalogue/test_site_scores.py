"""A score of a site's own folder, and a growth table with a hole in it."""

from __future__ import annotations

from pathlib import Path

from adapter.catalogue import load_catalogue
from adapter.catalogue.lint import lint
from adapter.derive import tell_list
from adapter.exam import Finding, Score
from tests.catalogue.test_lint_site import SCORE
from tests.derive.invented_exams import exam


def test_a_total_is_told_without_a_unit(tmp_path: Path) -> None:
    """What a score's range says are points, not hours, though a score has no unit either."""
    (tmp_path / "regions").mkdir()
    text = SCORE.format(low=3, high=4).replace("flag: H", "flag: H, urgency: tell")
    (tmp_path / "regions" / "x.yaml").write_text(text)
    catalogue = load_catalogue(tmp_path)
    told = tell_list(exam(Finding(item="ward_score", value=Score(total=6))), (), catalogue)
    (line,) = (one for one in told if one.finding and one.finding.item == "ward_score")
    assert line.reason == "high: >=4"


def test_a_week_that_a_growth_table_lacks_is_told(tmp_path: Path) -> None:
    (tmp_path / "growth").mkdir()
    about = (
        "id: ward\nlabel: Invented\nsource: Invented\nages: weeks\nversion: '1'\nlicence: None\nwithin_hours: 24\n"
    )
    (tmp_path / "growth" / "ward.yaml").write_text(about)
    weeks = [("male", week) for week in (34, 35, 37, 38)] + [("female", week) for week in range(34, 39)]
    rows = "".join(f"weight,{sex},{week},{week * 80},{week * 90}\n" for sex, week in weeks)
    (tmp_path / "growth" / "ward.csv").write_text("measure,sex,age,c10,c90\n" + rows)
    (problem,) = lint(load_catalogue(tmp_path))
    assert (problem.rule, problem.file) == ("growth-gap", "growth/ward.csv")
    assert "between 35+0 and 37+0 weeks" in problem.what
