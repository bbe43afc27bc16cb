"""Two releases of the same newborns: what an attacker learns from both together is counted, and k holds over both.

Linking and differencing of releases: Hundepool et al., Statistical Disclosure Control, 2012 (from memory). What is
found again is counted once more by pandas, from what stands in the tables alone. All data are invented.
"""

from __future__ import annotations

import json
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from test_release import FIRST, KEY, exams_of, newborn, written

from adapter.catalogue.files import mappings
from adapter.exam import Exam, Finding, Quantity
from adapter.run import NotPossible, run
from adapter.run.extract import Extract
from adapter.run.held import NoExtract

pytestmark = pytest.mark.usefixtures("unproved")
OTHER = "another invented key for tests only, of 32 bytes"


@pytest.fixture(autouse=True)
def keys(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STUDY_KEY", KEY)
    monkeypatch.setenv("OTHER_KEY", OTHER)


def weighed(base: Exam, count: int) -> list[Exam]:
    """Each with a weight of its own; of two dozen sixteen of 40 weeks, then a boy and a girl of each of 32 to 35."""
    found = []
    for number, exam in enumerate(
        exams_of(base, [newborn(n, 24 + n % 24 // 2 if n % 24 > 15 else 40) for n in range(count)])
    ):
        weight = Finding(item="birth_weight", value=Quantity(value=Decimal(3001 + 7 * number), unit="g"))
        found.append(exam.model_copy(update={"findings": (weight, *exam.findings)}))
    return found


def policy(folder: Path, **changes: Any) -> str:
    said = yaml.safe_load((mappings() / "deidentification/safe-harbor.yaml").read_text("utf-8"))
    path = folder / f"policy-{len(list(folder.iterdir()))}.yaml"
    path.write_text(yaml.safe_dump({**said, "k": 4, **changes}))
    return str(path)


def released(given: Path, out: Path, key: str = "STUDY_KEY", **options: Any) -> dict[str, Any]:
    run(Extract(("tables",), key_env=key, **options), [given], out, jobs=1)
    found: dict[str, Any] = json.loads((out / "deidentification.json").read_text("utf-8"))
    return found


@pytest.mark.parametrize("key", ["STUDY_KEY", "OTHER_KEY"])
def test_k_holds_over_both_releases_together(key: str, every: list[Exam], tmp_path: Path) -> None:
    """Weeks that one takes out of the rare and the other tells are told by both; whatever key the first one had."""
    given = written(tmp_path, weighed(every[0], 24))
    told = {"policy": policy(tmp_path, quasi_identifiers=["sex"]), "rare": "tell"}
    released(given, tmp_path / "first", key, **told)
    less = {"policy": policy(tmp_path, suppress=["gestation_weeks"])}
    alone = released(given, tmp_path / "alone", **less)
    assert alone["k_anonymity"]["newborns"] == 24
    assert "--earlier-release" in (tmp_path / "alone" / "release.html").read_text("utf-8")
    first = {
        row.birth_weight: row.gestation_weeks for row in pd.read_csv(tmp_path / "first" / "exams.csv").itertuples()
    }
    there = pd.read_csv(tmp_path / "alone" / "exams.csv")
    undone = [first[row.birth_weight] for row in there.itertuples() if pd.isna(row.gestation_weeks)]
    assert sorted(undone) == [32, 32, 33, 33, 34, 34, 35, 35]

    beside = released(given, tmp_path / "beside", earlier=(tmp_path / "first",), **less)
    (found,) = beside["beside_earlier_releases"]["releases"]
    assert beside["beside_earlier_releases"]["newborns_rare"] == 0
    assert found["by_pseudonym" if key == "STUDY_KEY" else "by_content"] == found["newborns"]
    left = pd.read_csv(tmp_path / "beside" / "exams.csv")
    both = left["birth_weight"].map(first)
    assert (
        pd.DataFrame({"sex": left["sex"], "here": left["gestation_weeks"].fillna(0), "there": both})
        .value_counts()
        .min()
        >= 4
    )
    assert len(left) + beside["k_anonymity"]["newborns_left_out"] == 24
    with pytest.raises(NotPossible, match="beside an earlier release"):
        released(given, tmp_path / "refused", earlier=(tmp_path / "first",), rare="refuse", **less)


def test_rounding_hours_and_dates_are_undone_by_the_release_that_has_them(every: list[Exam], tmp_path: Path) -> None:
    """A year later: other newborns too, numbers rounded, hours coarse; who is new is a group of its own."""
    base = every[0]
    exams = weighed(base, 26)
    (tmp_path / "year").mkdir()
    released(written(tmp_path, exams[:22]), tmp_path / "first", "OTHER_KEY", policy="limited-data-set", rare="tell")
    coarse = policy(tmp_path, round={"birth_weight": 500}, hours=6, quasi_identifiers=["sex"])
    later = written(tmp_path / "year", exams)
    told = released(later, tmp_path / "out", policy=coarse, earlier=(tmp_path / "first",), rare="tell")
    (found,) = told["beside_earlier_releases"]["releases"]
    assert (found["newborns"], found["by_pseudonym"]) == (26, 0)
    assert found["by_content"] == only_one_fits(tmp_path / "first", tmp_path / "out") > 0
    same = released(later, tmp_path / "same", "OTHER_KEY", policy=coarse, earlier=(tmp_path / "first",), rare="tell")
    (found,) = same["beside_earlier_releases"]["releases"]
    assert found["by_pseudonym"] == 22
    assert found["differs"] == {"gestation": 0, "multiple": 0, "numbers": 22, "hours": 22, "birth": 22}
    assert same["beside_earlier_releases"]["newborns_rare"] == 4  # two boys and two girls are new
    page = (tmp_path / "same" / "release.html").read_text("utf-8")
    assert "22 (85%)" in page


def only_one_fits(first: Path, second: Path) -> int:
    """Of how many one alone fits by weight to 500 g, full six hours, sex and weeks, both ways; by pandas."""
    keys = ["hours", "heavy", "sex", "gestation_weeks"]
    told = []
    for folder in (first, second):
        exams = pd.read_csv(folder / "exams.csv")[["age_hours", "birth_weight", "sex", "gestation_weeks"]].copy()
        exams["hours"] = exams["age_hours"] // 6 * 6
        exams["heavy"] = (exams["birth_weight"] / 500 + 0.5) // 1 * 500
        told.append(exams.groupby(keys).filter(lambda rows: len(rows) == 1))
    return len(told[0].merge(told[1], on=keys))


@pytest.mark.parametrize("coarse", [{"hours": 2}, {"hours": 2, "band": {"birth_weight": 250}}, {}])
def test_exams_are_found_again_by_their_hours_alone(
    coarse: dict[str, Any], every: list[Exam], tmp_path: Path
) -> None:
    """Answers and weights alike, another key: who was examined at hours of her own is found, in full hours too.

    Six newborns of one sex and gestation, examined twice: at 4 + 6 n and at 44 h; two of them at the same hours.
    """
    exams = []
    for number, base in enumerate(exams_of(every[0], [newborn(2 * n) for n in range(6)])):
        for hours in (4 + 6 * max(number, 1), 44):
            started = base.newborn.birth_time + timedelta(hours=hours, minutes=7)
            details = base.details.model_copy(update={"id": f"{number}-{hours}", "started": started})
            weight = Finding(item="birth_weight", value=Quantity(value=Decimal(3000), unit="g"))
            exams.append(Exam(details=details, newborn=base.newborn, findings=(weight,)))
    given = written(tmp_path, exams)
    told = {"quasi_identifiers": ["sex"], "rare": "tell"}
    released(given, tmp_path / "first", "OTHER_KEY", policy=policy(tmp_path, **told))
    less = policy(tmp_path, **told, **coarse)
    beside = released(given, tmp_path / "out", policy=less, earlier=(tmp_path / "first",))
    (found,) = beside["beside_earlier_releases"]["releases"]
    assert (found["newborns"], found["by_pseudonym"], found["by_content"]) == (6, 0, 4)


def test_moved_dates_lie_within_what_they_were_moved_by(every: list[Exam], tmp_path: Path) -> None:
    """Alike in everything but birth: of a dozen born 60 days apart each is found in a release that moved them by up
    to 14 and 6 days, the year's turn between; of a dozen born 20 hours apart nobody is told from the next."""
    for name, apart, wanted in (("far", timedelta(days=60), 12), ("near", timedelta(hours=20), 0)):
        (tmp_path / name).mkdir()
        babies = [
            one.model_copy(update={"birth_time": FIRST + apart * number})
            for number, one in enumerate(newborn(2 * n) for n in range(12))
        ]
        given = written(tmp_path / name, exams_of(every[0], babies))
        moved = {"dates": "shift", "shift_days": 14, "quasi_identifiers": ["sex"], "rare": "tell"}
        released(given, tmp_path / name / "first", "OTHER_KEY", policy=policy(tmp_path, **moved))
        again = policy(tmp_path, **moved | {"shift_days": 6})
        told = released(given, tmp_path / name / "out", policy=again, earlier=(tmp_path / name / "first",))
        (found,) = told["beside_earlier_releases"]["releases"]
        assert (found["newborns"], found["by_content"]) == (12, wanted)


def test_only_a_release_is_compared_with(every: list[Exam], tmp_path: Path) -> None:
    given = written(tmp_path, weighed(every[0], 2))
    run(Extract(), [given], tmp_path / "identified", jobs=1)
    with pytest.raises(NoExtract, match="no release"):
        released(given, tmp_path / "out", policy="safe-harbor", earlier=(tmp_path / "identified",))
    with pytest.raises(NotPossible, match="is for --deidentify"):
        run(Extract(earlier=(tmp_path / "identified",)), [given], tmp_path / "out", jobs=1)
